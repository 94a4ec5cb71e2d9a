"""What every profile says of a quantity, whatever the wire: unit, scale, display, compensation.

A driver's own table for one quantity inherits from `Measures` and adds where the number is found.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from acquire.errors import ConfigError
from acquire.quantities import Quantity, conversion, find_quantity
from acquire.readings import REFERENCE_ELECTRODES, Channel, Flag

__all__ = ["Measures", "Scale", "Table", "at", "channel_of", "scale_of"]


class Table(BaseModel):
    """A table of a profile: nothing unknown, nothing guessed."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class Measures(Table):
    """[quantities.NAME]: one quantity the meter gives."""

    unit: Annotated[str, Field(max_length=20)]
    factor: float = 1.0
    offset: float = 0.0
    resolution: Annotated[float, Field(gt=0)]
    accuracy: Annotated[float, Field(ge=0)] = 0.0
    accuracy_relative: Annotated[float, Field(ge=0, lt=1)] = 0.0
    follows: str | None = None
    compensated_to_c: Annotated[float, Field(ge=0, le=50)] | None = None
    coefficient_per_c: Annotated[float, Field(gt=0, le=0.1)] | None = None
    reference_electrode: str | None = None


class Scale:
    """Turns a number as the meter gives it into the quantity's unit."""

    __slots__ = ("_factor", "_offset", "quantity")

    def __init__(self, quantity: Quantity, measures: Measures) -> None:
        unit = conversion(quantity, measures.unit)
        self.quantity = quantity
        self._factor = measures.factor * unit.factor
        self._offset = measures.offset * unit.factor + unit.offset

    def __call__(self, raw: float) -> tuple[float, Flag | None]:
        """Give the value, and IMPLAUSIBLE when it lies outside the quantity's range.

        Twelve digits are far more than any meter has, and 510 times 0.01 is then 5.1.
        """
        value = float(f"{raw * self._factor + self._offset:.12g}")
        return value, None if self.quantity.is_plausible(value) else Flag.IMPLAUSIBLE


def scale_of(
    name: str, measures: Mapping[str, Measures], quantities: Mapping[str, Quantity]
) -> Scale:
    """Check what a profile says of one quantity; ConfigError names key, found and allowed."""
    key, mine = f"quantities.{name}", measures[name]
    with at(key):
        quantity = find_quantity(name, quantities)
    with at(f"{key}.unit"):
        conversion(quantity, mine.unit)
    _check_follows(name, measures)
    if mine.factor == 0:
        raise ConfigError("out of range", key=f"{key}.factor", found=0.0, allowed="not 0")
    if mine.coefficient_per_c is not None and mine.compensated_to_c is None:
        raise ConfigError(
            "a coefficient means nothing without the temperature it compensates to",
            key=f"{key}.coefficient_per_c",
            allowed="with compensated_to_c",
        )
    _check_electrode(name, mine)
    return Scale(quantity, mine)


def channel_of(quantity: Quantity, measures: Measures) -> Channel:
    """Give what the program needs to know of it."""
    factor = abs(conversion(quantity, measures.unit).factor)
    return Channel(
        quantity.name,
        resolution=measures.resolution * factor,
        accuracy=measures.accuracy * factor,
        accuracy_relative=measures.accuracy_relative,
        follows=measures.follows,
        reference_c=measures.compensated_to_c,
        coefficient=measures.coefficient_per_c,
        reference_electrode=measures.reference_electrode,
    )


@contextmanager
def at(key: str = "", file: Path | None = None) -> Iterator[None]:
    """Say where in the profile an error lies, unless that is known already."""
    try:
        yield
    except ConfigError as error:
        raise ConfigError(
            error.problem,
            file=error.file or file,
            key=error.key or key,
            found=error.found,
            allowed=error.allowed,
        ) from error


def _check_follows(name: str, measures: Mapping[str, Measures]) -> None:
    """A quantity is computed from one the meter measures itself, so there are no circles."""
    follows = measures[name].follows
    if follows is None:
        return
    others = [n for n, m in measures.items() if n != name and m.follows is None]
    if follows not in others:
        raise ConfigError(
            "follows names no quantity that this meter measures itself",
            key=f"quantities.{name}.follows",
            found=follows,
            allowed=", ".join(others),
        )


def _check_electrode(name: str, measures: Measures) -> None:
    """Only ORP is measured against a reference electrode, and only known ones can be used."""
    found = measures.reference_electrode
    allowed = REFERENCE_ELECTRODES if name == "orp" else ()
    if found is not None and found not in allowed:
        raise ConfigError(
            "no reference electrode of this quantity",
            key=f"quantities.{name}.reference_electrode",
            found=found,
            allowed=", ".join(allowed) or "with orp only",
        )
