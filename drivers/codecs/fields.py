"""What the three styles of line have in common: how a number is written, what a word means.

A number is a sign or none, ASCII digits, at most one decimal mark with digits behind it. Thousands
marks, exponents, hexadecimal, `nan`, `inf` and the digits of other scripts are not numbers.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, Protocol

from acquire.errors import ConfigError, FrameError
from acquire.quantities import Conversion, Quantity, conversion
from acquire.readings import Flag

__all__ = ["DecimalMark", "Field", "FieldReader", "Numerals", "Said"]

DecimalMark = Literal[".", ","]


@dataclass(frozen=True, slots=True)
class Field:
    """Where one quantity stands in a line and how its number becomes a value."""

    quantity: Quantity
    unit: str
    """The unit meant where the line shows none."""
    factor: float = 1.0
    offset: float = 0.0
    """Number in the unit = number shown * factor + offset."""
    labels: Sequence[str] = ()
    """How the labels style finds it."""
    group: str = ""
    """How the pattern style finds it."""
    unit_from: str = ""
    """Column or group that holds the unit, for meters that change it with the range."""

    @property
    def units(self) -> Sequence[str]:
        """Every way the unit may be written, longest first."""
        words = {self.quantity.unit, self.unit, *self.quantity.spoken} - {""}
        return sorted(words, key=len, reverse=True)

    def value(self, number: float, unit: str | None = None) -> float | None:
        """Give the value in the quantity's unit; None when the line shows an unknown unit."""
        try:
            turn = self._turn(self.unit if unit is None else unit)
        except ConfigError:
            return None
        return turn(number * self.factor + self.offset)

    def _turn(self, unit: str) -> Conversion:
        return conversion(self.quantity, unit)


@dataclass(slots=True)
class Said:
    """What one line says, filled field by field."""

    values: dict[str, float] = field(default_factory=dict)
    flags: dict[str, Flag] = field(default_factory=dict)
    bad: int = 0
    """Fields that hold neither a number nor a known word."""

    def put(self, place: Field, shown: float | Flag | None, unit: str | None = None) -> None:
        """Note what a field shows: a number, a word's flag, or nothing that makes sense."""
        name = place.quantity.name
        value = place.value(shown, unit) if isinstance(shown, float) else None
        if value is not None:
            self.values[name] = value
            if not place.quantity.is_plausible(value):
                self.flags[name] = Flag.IMPLAUSIBLE
        elif isinstance(shown, Flag):
            self.flags[name] = shown
        else:
            self.put_bad(place)

    def put_bad(self, place: Field) -> None:
        self.bad += 1
        self.flags[place.quantity.name] = Flag.ERROR

    def checked(self) -> Said:
        """Give itself; FrameError when nothing in the line makes sense."""
        if len(self.flags) == self.bad and not self.values:
            raise FrameError("nothing in the line is a known field")
        return self


class FieldReader(Protocol):
    """Reads the fields of one line of text; FrameError when it is no line of this meter."""

    def read(self, text: str) -> Said: ...


class Numerals:
    """How a meter writes numbers, and the words it shows in their place."""

    def __init__(
        self,
        decimal: DecimalMark = ".",
        over_range: Sequence[str] = ("OR",),
        error: Sequence[str] = ("---", "Err"),
    ) -> None:
        self.decimal = decimal
        mark = re.escape(decimal)
        # Twelve digits are more than any meter shows and keep every product finite.
        self.source = rf"[+-]?(?:[0-9]{{1,12}}(?:{mark}[0-9]{{1,12}})?|{mark}[0-9]{{1,12}})"
        self._number = re.compile(self.source)
        self.words = {word.casefold(): Flag.ERROR for word in error}
        self.words |= {word.casefold(): Flag.OVER_RANGE for word in over_range}

    def read(self, text: str) -> float | Flag | None:
        """Give the number, the flag of a word, or None for neither."""
        if self._number.fullmatch(text):
            return self.number(text)
        return self.words.get(text.casefold())

    def number(self, text: str) -> float:
        """Turn text that has the form of a number into one."""
        return float(text.replace(",", ".") if self.decimal == "," else text)
