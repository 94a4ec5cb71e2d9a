"""A profile of a sensor that is read over SDI-12: how the adapter works, what to measure.

A sensor of version 1.4 names its values and units by itself, so a profile may name none.
`docs/sdi12.md` describes every key.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from acquire.errors import ConfigError
from acquire.quantities import BUILT_IN, Quantity
from acquire.toml_file import read_table
from drivers.measures import Measures, Scale, Table, at, scale_of
from drivers.profile import SerialSettings

__all__ = [
    "Adapter",
    "Family",
    "Measure",
    "Sdi12Measures",
    "Sdi12Meter",
    "Sdi12Profile",
    "Sdi12Serial",
    "assemble",
    "check_parity",
]

Family = Literal["M", "MC", "C", "CC", "R", "RC", "V"]
"""The standard's ways to measure; those ending in a second C protect the values by a CRC."""

_Numbers = Annotated[tuple[float, ...], Field(strict=False, max_length=20)]
_Ordinal = Annotated[int, Field(ge=0, le=9)]


class Sdi12Serial(SerialSettings):
    """[serial]: as the standard orders, unless the adapter wants others."""

    baudrate: Annotated[int, Field(ge=50, le=4_000_000)] = 1200
    data_bits: Literal[5, 6, 7, 8] = 7
    parity: Literal["none", "even", "odd", "mark", "space"] = "even"


class Adapter(Table):
    """[adapter]: what stands between the port and the wire."""

    break_by: Literal["adapter", "port"] = "adapter"
    """Who wakes the sensors: a transparent adapter before each command, or we through the port."""
    break_s: Annotated[float, Field(ge=0.012, le=1)] = 0.015
    parity: Literal["port", "software", "ignore"] = "port"
    """Who makes the eighth bit: the port or adapter; we, and check it; we, without a check."""
    answer_s: Annotated[float, Field(ge=0.02, le=60)] | None = None
    """How much longer than the standard's time an answer may take to get here."""

    @property
    def patience_s(self) -> float:
        """`answer_s`, or what suits this kind of adapter.

        0.05 s holds a USB converter's 16 ms twice and still lets a try be repeated within the
        87 ms for which a sensor stays awake.
        """
        if self.answer_s is not None:
            return self.answer_s
        return 0.25 if self.break_by == "adapter" else 0.05


class Measure(Table):
    """[measure]: which commands, how often."""

    commands: Annotated[tuple[Family, ...], Field(strict=False, min_length=1, max_length=7)] = (
        "MC",
        "M",
    )
    """In the order of preference: the first that the sensor knows is used."""
    measurements: Annotated[
        tuple[_Ordinal, ...], Field(strict=False, min_length=1, max_length=10)
    ] = (0,)
    """The digit behind the command: 0 for none (and R0), 1 to 9 for the additional ones."""
    interval_s: Annotated[float, Field(ge=0.05, le=3600)] = 2.0
    missed_answers: Annotated[int, Field(ge=1, le=1000)] = 3
    """So many failed measurements in a row mean that the sensor is lost."""
    describe: bool = True
    """Ask the sensor what the values are that [quantities] does not name."""
    error: _Numbers = (-9999.0,)
    over_range: _Numbers = ()
    """Numbers that mean no number; a sensor has no words. -9999: common practice, no source."""


class Sdi12Measures(Measures):
    """[quantities.NAME] of a sensor: also which of its values it is."""

    measurement: _Ordinal = 0
    place: Annotated[int, Field(ge=1, le=99)] | None = None
    """Counted from 1; left out, it is the value that the sensor itself calls so."""


class Sdi12Profile(Table):
    """The whole file."""

    description: str = ""
    driver: Literal["sdi12"]
    serial: Sdi12Serial = Sdi12Serial()
    adapter: Adapter = Adapter()
    measure: Measure = Measure()
    quantities: dict[str, Sdi12Measures] = Field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Sdi12Meter:
    """A profile ready for use."""

    file: Path
    profile: Sdi12Profile
    scales: Mapping[str, Scale]
    known: Mapping[str, Quantity]
    """The table of quantities that a sensor may name."""


def assemble(file: Path, quantities: Mapping[str, Quantity] = BUILT_IN) -> Sdi12Meter:
    """Read and check a profile; ConfigError names file, key, found and allowed."""
    profile = read_table(file, Sdi12Profile)
    with at(file=file):
        scales = {
            name: scale_of(name, profile.quantities, quantities) for name in profile.quantities
        }
        _check_places(profile)
        _check_words(profile)
    return Sdi12Meter(file, profile, scales, quantities)


def _check_places(profile: Sdi12Profile) -> None:
    measure, owners = profile.measure, dict[tuple[int, int], str]()
    if not profile.quantities and not measure.describe:
        raise ConfigError(
            "nothing names the values", key="measure.describe", found=False, allowed="[quantities]"
        )
    for name, mine in profile.quantities.items():
        key = f"quantities.{name}"
        if mine.measurement not in measure.measurements:
            raise ConfigError(
                "a measurement that is not made",
                key=f"{key}.measurement",
                found=mine.measurement,
                allowed=", ".join(map(str, measure.measurements)) + " (measure.measurements)",
            )
        if mine.place is None:
            if not measure.describe:
                raise ConfigError("a key is missing", key=f"{key}.place", allowed="1 to 99")
            continue
        owner = owners.setdefault((mine.measurement, mine.place), name)
        if owner != name:
            raise ConfigError(
                f"the place of {owner}", key=f"{key}.place", found=mine.place, allowed="another"
            )


def _check_words(profile: Sdi12Profile) -> None:
    both = {*profile.measure.error} & {*profile.measure.over_range}
    if both:
        raise ConfigError(
            "a number cannot mean both error and over range",
            key="measure.over_range",
            found=min(both),
            allowed="each number once",
        )


def check_parity(meter: Sdi12Meter, wire: SerialSettings) -> None:
    """Parity made twice is parity made wrong."""
    parity = meter.profile.adapter.parity
    if parity != "port" and (wire.data_bits, wire.parity) != (8, "none"):
        raise ConfigError(
            "parity in software needs a port that passes all eight bits",
            file=meter.file,
            key="adapter.parity",
            found=parity,
            allowed='"port"; others with serial.data_bits = 8 and serial.parity = "none"',
        )
