"""Corrections that checks suggest: applied only when asked, shown, and undone exactly.

corrected = (said - pivot) x gain + pivot + offset. The raw value is always kept beside it.
"""

from __future__ import annotations

from dataclasses import dataclass

from acquire.errors import WaterError
from acquire.water.inputs import finite, positive

__all__ = [
    "ACCEPTANCE",
    "Correction",
    "acceptance_ph",
    "acceptance_standard",
    "from_one_check",
    "from_two_checks",
]


@dataclass(frozen=True, slots=True)
class Correction:
    """A straight line from what the meter says to what it should say."""

    offset: float = 0.0
    """In the unit of the quantity, at the pivot."""
    gain: float = 1.0
    pivot: float = 0.0

    def apply(self, said: float | None) -> float:
        """Give the corrected value."""
        return (finite(said, "the reading") - self.pivot) * self.gain + self.pivot + self.offset

    def undo(self, corrected: float | None) -> float:
        """Give back what the meter said."""
        value = finite(corrected, "the corrected value")
        return (value - self.offset - self.pivot) / self.gain + self.pivot

    def __str__(self) -> str:
        text = f"{self.offset:+.4g}"
        return text if self.gain == 1.0 else f"x {self.gain:.5g} about {self.pivot:g}, {text}"


def from_one_check(said: float | None, expected: float | None) -> Correction:
    """Correct by an offset alone, from one solution: right near that solution only."""
    return Correction(finite(expected, "the expected value") - finite(said, "the reading"))


def from_two_checks(
    first: tuple[float, float], second: tuple[float, float], *, pivot: float = 0.0
) -> Correction:
    """Correct by offset and gain from two (said, expected) pairs: the line through both.

    For pH use pivot 7: the gain is then Nernst's slope over the electrode's, and 100/gain its slope
    in %. WaterError when the readings are equal or the gain is outside 0.5 to 2: then it is the
    probe or the solutions that need attention.
    """
    said_1, due_1 = (finite(value, "a check's value") for value in first)
    said_2, due_2 = (finite(value, "a check's value") for value in second)
    if said_1 == said_2:
        raise WaterError("both checks read the same: use solutions of different value")
    gain = (due_2 - due_1) / (said_2 - said_1)
    if not 0.5 <= gain <= 2.0:
        raise WaterError(
            f"the two checks ask for a gain of {gain:.3g}, more than a correction may hide "
            "(0.5 to 2): clean the probe, take fresh solutions, check again"
        )
    return Correction(due_1 - ((said_1 - pivot) * gain + pivot), gain, pivot)


ACCEPTANCE = ("usgs-nfm-a6.3", "epa-sop-2010")
"""Published rules for the check of a conductivity standard."""


def acceptance_standard(criterion: str, standard_us_cm: float | None) -> float:
    """Give the ± µS/cm a reading of a conductivity standard is allowed.

    usgs-nfm-a6.3: 5 µS/cm at or below 100 µS/cm, 3 % above (USGS National Field Manual A6.3,
    section 3.0). epa-sop-2010: 10 µS/cm up to 200 µS/cm, 5 % above (US EPA field instrument
    calibration SOP 2010, section 6.0; the 5 % from memory).
    """
    level = positive(standard_us_cm, "the standard", "µS/cm")
    match criterion:
        case "usgs-nfm-a6.3":
            return 5.0 if level <= 100.0 else 0.03 * level
        case "epa-sop-2010":
            return 10.0 if level <= 200.0 else 0.05 * level
        case _:
            raise WaterError(f"unknown criterion {criterion[:30]!r}: {', '.join(ACCEPTANCE)}")


_PH_ACCEPTANCE = {"usgs-nfm-a6.4": 0.05, "epa-sop-2010": 0.3}
CELL_CONSTANT_CHANGE_PERCENT = 2.0
"""A cell constant that has moved more than this points to a dirty cell: USGS NFM A6.3, 3.1."""


def acceptance_ph(criterion: str) -> float:
    """Give the ± pH a re-read buffer is allowed: usgs-nfm-a6.4 0.05, epa-sop-2010 0.3."""
    if criterion not in _PH_ACCEPTANCE:
        raise WaterError(f"unknown criterion {criterion[:30]!r}: {', '.join(_PH_ACCEPTANCE)}")
    return _PH_ACCEPTANCE[criterion]
