"""What every formula does first: refuse what is no number, mark what is outside its range."""

from __future__ import annotations

import math
from dataclasses import dataclass

from acquire.errors import WaterError

__all__ = ["Derived", "Domain", "finite", "positive"]


@dataclass(frozen=True, slots=True)
class Derived:
    """A computed value that says how it came about."""

    value: float
    unit: str
    """UCUM code, as in the table of quantities; "1" for a ratio."""
    method: str
    """Formula and source in words, with the constants that were chosen."""
    extrapolated: bool = False
    """True when an input lay outside the range the source states: show it, do not rely on it."""


def finite(value: float | None, what: str, unit: str = "") -> float:
    """Give the number back; WaterError when it is missing, NaN, infinite or no number."""
    suffix = f" in {unit}" if unit else ""
    if value is None:
        raise WaterError(f"{what} is missing: give it{suffix}")
    try:
        number = float(value)
    except (TypeError, ValueError):
        raise WaterError(f"{what} must be a number{suffix}, found {str(value)[:40]!r}") from None
    if not math.isfinite(number):
        raise WaterError(f"{what} must be a finite number{suffix}, found {number}")
    return number


def positive(value: float | None, what: str, unit: str = "", *, zero: bool = False) -> float:
    """Give the number back; WaterError unless it is above zero (or zero, where allowed)."""
    number = finite(value, what, unit)
    if number < 0 or (number == 0 and not zero):
        allowed = "zero or more" if zero else "above zero"
        suffix = f" {unit}" if unit else ""
        raise WaterError(f"{what} must be {allowed}, found {number:g}{suffix}")
    return number


@dataclass(frozen=True, slots=True)
class Domain:
    """Where a formula holds (`low` to `high`) and how far it may be stretched, marked.

    `floor` and `ceiling` bound the stretch; left out, nothing outside the valid range is computed.
    """

    what: str
    unit: str
    low: float
    high: float
    floor: float | None = None
    ceiling: float | None = None

    def is_outside(self, value: float | None) -> bool:
        """Tell whether the value is outside the valid range; WaterError beyond the stretch."""
        number = finite(value, self.what, self.unit)
        least = self.low if self.floor is None else self.floor
        most = self.high if self.ceiling is None else self.ceiling
        if not least <= number <= most:
            raise WaterError(
                f"{self.what} {number:g} {self.unit} is outside what the formula can be used for: "
                f"needed {least:g} to {most:g} {self.unit}"
            )
        return not self.low <= number <= self.high

    def require(self, value: float | None) -> float:
        """Give the number back; WaterError outside the valid range or its stretch."""
        self.is_outside(value)
        return float(value)  # type: ignore[arg-type]  # is_outside refuses None
