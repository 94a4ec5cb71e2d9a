"""A profile of a meter that is read over Modbus: which registers hold what.

`docs/modbus.md` describes every key.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from acquire.errors import ConfigError
from acquire.quantities import BUILT_IN, Quantity
from acquire.readings import Channel
from acquire.toml_file import read_table
from drivers.codecs.registers import MOST_REGISTERS, Kind, Layout, Order, Place
from drivers.measures import Measures, Scale, Table, at, channel_of, scale_of
from drivers.profile import SerialSettings

__all__ = ["ModbusMeter", "ModbusPoll", "ModbusProfile", "RegisterMeasures", "Requests", "assemble"]

_Function = Literal[3, 4]
_Numbers = Annotated[tuple[float, ...], Field(strict=False, max_length=20)]


class ModbusPoll(Table):
    """[poll]: how often the meter is asked, and how long it may think."""

    interval_s: Annotated[float, Field(ge=0.05, le=3600)] = 1.0
    timeout_s: Annotated[float, Field(ge=0.02, le=60)] = 0.5
    """For the answer to begin; the time its bytes take on the wire is added."""
    missed_answers: Annotated[int, Field(ge=1, le=1000)] = 5
    """So many in a row mean that the meter is lost."""


class Requests(Table):
    """[requests]: what the meter, or a slow line, wants of a request."""

    most_registers: Annotated[int, Field(ge=2, le=MOST_REGISTERS)] = MOST_REGISTERS
    most_gap: Annotated[int, Field(ge=0, le=MOST_REGISTERS)] = MOST_REGISTERS
    """Registers between two wanted ones that may be read along."""


class RegisterDefaults(Table):
    """[registers]: what holds for every quantity that does not say otherwise."""

    function: _Function = 3
    type: Kind = "uint16"
    order: Order = "ABCD"


class RegisterMeasures(Measures):
    """[quantities.NAME] of a Modbus meter: also where the number stands."""

    address: Annotated[int, Field(ge=0, le=65535)]
    function: _Function | None = None
    type: Kind | None = None
    order: Order | None = None
    not_a_reading: _Numbers = ()
    over_range: _Numbers = ()


class ModbusProfile(Table):
    """The whole file."""

    description: str = ""
    driver: Literal["modbus"]
    serial: SerialSettings = SerialSettings()
    poll: ModbusPoll = ModbusPoll()
    requests: Requests = Requests()
    registers: RegisterDefaults = RegisterDefaults()
    quantities: Annotated[dict[str, RegisterMeasures], Field(min_length=1)]


@dataclass(frozen=True, slots=True)
class ModbusMeter:
    """A profile ready for use."""

    file: Path
    profile: ModbusProfile
    places: tuple[Place, ...]
    scales: Mapping[str, Scale]
    channels: tuple[Channel, ...]


def assemble(file: Path, quantities: Mapping[str, Quantity] = BUILT_IN) -> ModbusMeter:
    """Read and check a profile; ConfigError names file, key, found and allowed."""
    profile = read_table(file, ModbusProfile)
    tables = profile.quantities
    with at(file=file):
        scales = {name: scale_of(name, tables, quantities) for name in tables}
        places = tuple(_place(profile, name) for name in tables)
    channels = tuple(channel_of(scales[name].quantity, tables[name]) for name in tables)
    return ModbusMeter(file, profile, places, scales, channels)


def _place(profile: ModbusProfile, name: str) -> Place:
    mine, defaults = profile.quantities[name], profile.registers
    layout = Layout(mine.type or defaults.type, mine.order or defaults.order)
    key = f"quantities.{name}"
    if mine.address + layout.words > 65536:
        raise ConfigError(
            "the last register lies behind the last address",
            key=f"{key}.address",
            found=mine.address,
            allowed=f"0 to {65536 - layout.words}",
        )
    place = Place(
        name,
        mine.function or defaults.function,
        mine.address,
        layout,
        _sentinels(mine.not_a_reading, layout, f"{key}.not_a_reading"),
        _sentinels(mine.over_range, layout, f"{key}.over_range"),
    )
    both = place.not_a_reading & place.over_range
    if both:
        raise ConfigError(
            "a number cannot mean both no reading and over range",
            key=key,
            found=min(both),
            allowed="each number once",
        )
    return place


def _sentinels(said: tuple[float, ...], layout: Layout, key: str) -> frozenset[float]:
    """Give the numbers as the registers will: manuals write -32768 as 0x8000."""
    bits = {"int16": 16, "int32": 32}.get(layout.kind)
    numbers = set()
    for number in said:
        is_pattern = bits is not None and 1 << (bits - 1) <= number < 1 << bits
        meant = number - (1 << bits) if bits is not None and is_pattern else number
        try:
            numbers.add(layout.decode(layout.encode(meant)))
        except ValueError as error:
            raise ConfigError(
                "the registers cannot hold this number", key=key, found=number, allowed=layout.kind
            ) from error
    return frozenset(numbers)
