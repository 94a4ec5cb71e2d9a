"""Reads a number as a person types it off a display: decimal comma or point, unit or none. Pure."""

from __future__ import annotations

import re
from dataclasses import dataclass

from acquire.errors import ConfigError, FrameError
from acquire.quantities import Conversion, Quantity, conversion

__all__ = ["Typed", "TypedField"]

_NUMBER = re.compile(r"([+-]?)([0-9]*)(?:([.,])([0-9]*))?")
_DASHES = str.maketrans({"\u2212": "-", "\u2013": "-", "\u2012": "-", "\u2010": "-"})
_LONGEST = 40
_MOST_DIGITS = 9


@dataclass(frozen=True, slots=True)
class Typed:
    """One number a person read."""

    quantity: str
    value: float
    """In the quantity's unit."""
    step: float
    """What the last digit of the display is worth, in the quantity's unit."""
    text: str
    """As it was typed."""


@dataclass(frozen=True, slots=True)
class TypedField:
    """One place on the display: what it shows, in which unit, in which steps."""

    quantity: Quantity
    unit: str
    """The unit meant where none is typed."""
    resolution: float
    """Step of the display in that unit."""
    factor: float = 1.0
    offset: float = 0.0
    """Number in the unit = number shown * factor + offset."""

    def read(self, text: str) -> Typed:
        """Give what was typed as a value; FrameError says what is wrong with it and what to type.

        A trailing zero may be left out: in the usual unit a step is never coarser than that of the
        display. A number typed in another unit has the step its own digits show.
        """
        said = text.strip().translate(_DASHES).replace("\u00a0", " ")
        match = _NUMBER.match(said) if len(said) <= _LONGEST else None
        digits = (match[2] + (match[4] or "")) if match else ""
        if match is None or not digits or len(digits) > _MOST_DIGITS:
            raise FrameError(f"no number; type it as the display shows it, such as {self.example}")
        unit = said[match.end() :].strip()
        self._check_marks(match, unit)
        decimals = len(match[4] or "")
        number = float(f"{match[1]}{match[2] or '0'}.{match[4] or '0'}")
        turn = self._conversion(unit)
        value = turn(number * self.factor + self.offset)
        if not self.quantity.is_plausible(value):
            low, high = self.quantity.low, self.quantity.high
            between = f"{low:g} and {high:g} {self.quantity.shown_unit}".rstrip()
            raise FrameError(
                f"out of range: {self.quantity.label} lies between {between}, this is {value:g}"
            )
        own = 10.0**-decimals * abs(self.factor)
        is_usual = not unit or turn == conversion(self.quantity, self.unit)
        step = min(own, self.resolution) if is_usual else own
        return Typed(self.quantity.name, value, step * abs(turn.factor), text.strip())

    @property
    def example(self) -> str:
        """A number as this display might show it."""
        decimals = max(0, len(f"{self.resolution:.9f}".rstrip("0").partition(".")[2]))
        middle = {"ph": 7.01, "temperature": 21.4, "specific_gravity": 1.001}
        return f"{middle.get(self.quantity.name, 215):.{decimals}f}"

    def _check_marks(self, match: re.Match[str], unit: str) -> None:
        if unit[:1] in {".", ",", "'"} or unit[:1].isdigit():
            raise FrameError("no number: more than one mark or a blank in it; type 1234.5 as such")
        whole = match[2].lstrip("0")
        looks_like_thousands = match[3] and len(match[4]) == 3 and 1 <= len(whole) <= 3
        if looks_like_thousands and not unit and self.resolution >= 1:
            plain = f"{match[1]}{match[2]}{match[4]}"
            raise FrameError(
                f"is that {plain} or {match[2]}.{match[4]}? "
                f"Type {plain}, or the number with its unit"
            )

    def _conversion(self, unit: str) -> Conversion:
        try:
            return conversion(self.quantity, unit or self.unit)
        except ConfigError as error:
            raise FrameError(f"unknown unit {unit[:20]!r}; known: {error.allowed}") from error
