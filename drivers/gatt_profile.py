"""A profile of a meter that is read over a Bluetooth LE connection.

`docs/bluetooth.md` describes every key.
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
from drivers.byte_measures import ByteMeasures, Patterns, Uuid, place_of
from drivers.codecs.gatt_formats import STANDARD, short_uuid
from drivers.codecs.layout import Layout, Place
from drivers.codecs.numbers import BY_NAME
from drivers.measures import Table, at, channel_of, scale_of

__all__ = ["CharacteristicTable", "GattMeasures", "GattMeter", "GattProfile", "Override"]
__all__ += ["assemble"]


class LinkTable(Table):
    """[link]: how long things may take."""

    search_s: Annotated[float, Field(ge=0.01, le=600)] = 20.0
    """For the meter to be heard of."""
    connect_s: Annotated[float, Field(ge=0.01, le=600)] = 20.0
    """For the connection and what it offers."""
    timeout_s: Annotated[float, Field(ge=0.01, le=60)] = 5.0
    """For the answer to one read."""
    interval_s: Annotated[float, Field(ge=0.05, le=3600)] = 1.0
    """From read to read."""
    missed_answers: Annotated[int, Field(ge=1, le=1000)] = 5
    """So many refused reads in a row mean that the meter is lost."""
    gather_s: Annotated[float, Field(ge=0.0, le=60)] = 0.3
    """How far apart the notifications of one reading may come."""
    quiet_s: Annotated[float, Field(gt=0, le=86_400)] | None = None
    """A characteristic silent for so long while others speak means that the link is half dead."""


class CharacteristicTable(Table):
    """[characteristics."UUID"]: how its bytes are got."""

    get: Literal["notify", "read"] | None = None
    """None: notify where the meter offers it."""
    length: Annotated[int, Field(ge=1, le=512)] | None = None
    """Bytes of the whole value; any other number of them is a bad frame."""


class GattMeasures(ByteMeasures):
    """[quantities.NAME] of a meter over a Bluetooth LE connection."""

    characteristic: Uuid


class Override(Table):
    """[overrides.NAME]: what a meter that describes itself cannot say, or says wrongly."""

    characteristic: Uuid | None = None
    unit: Annotated[str, Field(max_length=20)] | None = None
    factor: float | None = None
    offset: float | None = None
    resolution: Annotated[float, Field(gt=0)] | None = None
    accuracy: Annotated[float, Field(ge=0)] | None = None
    accuracy_relative: Annotated[float, Field(ge=0, lt=1)] | None = None
    follows: str | None = None
    compensated_to_c: Annotated[float, Field(ge=0, le=50)] | None = None
    coefficient_per_c: Annotated[float, Field(gt=0, le=0.1)] | None = None
    reference_electrode: str | None = None
    not_a_reading: Patterns = ()
    over_range: Patterns = ()


class GattProfile(Table):
    """The whole file."""

    description: str = ""
    driver: Literal["gatt"]
    service: Uuid | None = None
    """What such a meter advertises: `ouzel find` knows it by that."""
    self_describing: bool = False
    ignore: Annotated[tuple[Uuid, ...], Field(strict=False, max_length=100)] = ()
    link: LinkTable = LinkTable()
    characteristics: dict[Uuid, CharacteristicTable] = Field(default_factory=dict)
    overrides: dict[str, Override] = Field(default_factory=dict)
    quantities: dict[str, GattMeasures] = Field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class GattMeter:
    """A profile ready for use."""

    file: Path
    profile: GattProfile
    layouts: Mapping[str, Layout]
    """By characteristic; of what the profile says itself."""
    channels: tuple[Channel, ...]
    quantities: Mapping[str, Quantity]
    """The table for what the meter says itself."""


def assemble(file: Path, quantities: Mapping[str, Quantity] = BUILT_IN) -> GattMeter:
    """Read and check a profile; ConfigError names file, key, found and allowed."""
    profile = read_table(file, GattProfile)
    tables = profile.quantities
    with at(file=file):
        _check_kind(profile, quantities)
        places = {name: _place(name, profile, quantities) for name in tables}
        layouts = _layouts(profile, places)
    channels = tuple(channel_of(quantities[name], mine) for name, mine in tables.items())
    return GattMeter(file, profile, layouts, channels, quantities)


def _check_kind(profile: GattProfile, quantities: Mapping[str, Quantity]) -> None:
    if not profile.quantities and not profile.self_describing:
        raise ConfigError(
            "nothing is measured",
            key="quantities",
            allowed="[quantities.NAME], or self_describing = true",
        )
    if profile.overrides and not profile.self_describing:
        raise ConfigError(
            "overrides are for a meter that describes itself",
            key="overrides",
            allowed="with self_describing = true; otherwise write [quantities.NAME]",
        )
    for name, override in profile.overrides.items():
        if override.factor == 0:
            raise ConfigError(
                "out of range", key=f"overrides.{name}.factor", found=0.0, allowed="not 0"
            )
        if name not in quantities or name in profile.quantities:
            raise ConfigError(
                "described twice" if name in profile.quantities else "unknown quantity",
                key=f"overrides.{name}",
                allowed=", ".join(one for one in quantities if one not in profile.quantities),
            )


def _place(name: str, profile: GattProfile, quantities: Mapping[str, Quantity]) -> Place:
    mine, key = profile.quantities[name], f"quantities.{name}"
    standard = STANDARD.get(mine.characteristic)
    if mine.type is not None:
        kind = BY_NAME[mine.type]
    elif standard is not None:
        kind = standard.format
        sentinels = () if standard.sentinel is None else (standard.sentinel,)
        mine = mine.model_copy(
            update={
                "factor": mine.factor * standard.factor,
                "not_a_reading": (*mine.not_a_reading, *sentinels),
            }
        )
    else:
        raise ConfigError(
            "a key is missing",
            key=f"{key}.type",
            allowed=f"{', '.join(BY_NAME)}; only the SIG's own characteristics need none",
        )
    turn = scale_of(name, {**profile.quantities, name: mine}, quantities)
    return place_of(key, mine, kind, turn)


def _layouts(profile: GattProfile, places: Mapping[str, Place]) -> dict[str, Layout]:
    found: dict[str, dict[str, Place]] = {}
    for name, place in places.items():
        table = profile.characteristics.get(profile.quantities[name].characteristic)
        if table is not None and table.length is not None and place.end > table.length:
            raise ConfigError(
                "the number lies behind the end of the value",
                key=f"quantities.{name}.at",
                found=place.at,
                allowed=f"0 to {table.length - place.format.size}",
            )
        found.setdefault(profile.quantities[name].characteristic, {})[name] = place
    idle = [uuid for uuid in profile.characteristics if uuid not in found]
    if idle and not profile.self_describing:
        raise ConfigError(
            "no quantity is in this characteristic",
            key="characteristics",
            found=short_uuid(idle[0]),
            allowed=", ".join(short_uuid(uuid) for uuid in found),
        )
    tables = profile.characteristics
    return {
        uuid: Layout(mine, tables[uuid].length if uuid in tables else None)
        for uuid, mine in found.items()
    }
