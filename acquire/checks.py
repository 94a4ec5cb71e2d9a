"""What a check of a meter found, and the corrections that rest on checks. Frozen, no I/O.

A check is one quantity of a capture of a known solution, held against what a right meter would
show. A correction is made from one or two checks, by a person, and holds from a moment on.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from acquire.water.corrections import Correction

__all__ = ["Anchor", "Check", "StandingCorrection", "Verdict", "in_force"]

Verdict = Literal["pass", "fail", "cannot tell"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One quantity of one capture of a solution; numbers in the quantity's unit."""

    capture_id: str
    meter: str
    quantity: str
    at_ms: int
    """When the capture came to rest."""
    solution: str
    """Name in the catalogue of solutions."""
    label: str
    source: str
    """Where the solution's value comes from."""
    method: str
    """How it was carried to the temperature and to what this meter shows."""
    temp_c: float
    temp_from: Literal["meter", "typed"]
    said: float
    """The meter's own settled value, never corrected."""
    said_u: float
    """95 % expanded uncertainty of its settling."""
    expected: float
    expected_u: float
    """95 % expanded: the solution's ± and that of its temperature."""
    allowed: float | None
    """The ± the meter is held to; None when neither its maker nor a published rule gives one."""
    allowed_by: str
    verdict: Verdict
    reason: str
    corrected: float | None = None
    """The value with the correction then in force, which the verdict is about; None without."""
    corrected_u: float | None = None
    resembles: str = ""
    """Other solutions whose value this is, comma between: the wrong bottle; `a water` for what
    conducts too little. Empty for most."""
    opened: str = ""
    """ISO date the bottle was opened; empty when nobody said."""

    @property
    def bias(self) -> float:
        """Said less expected, uncorrected: what the meter itself is off."""
        return self.said - self.expected

    @property
    def u(self) -> float:
        """Standard uncertainty of the bias."""
        return math.hypot(self.said_u, self.expected_u) / 2.0


@dataclass(frozen=True, slots=True)
class Anchor:
    """A point a correction goes through; `u` is the standard uncertainty of its bias."""

    said: float
    expected: float
    u: float
    capture_id: str = ""
    """The check behind it; empty for the zero of a conductivity cell."""


@dataclass(frozen=True, slots=True)
class StandingCorrection:
    """A correction of one quantity of one meter, as a person put it in force."""

    meter: str
    quantity: str
    line: Correction
    anchors: tuple[Anchor, ...]
    """One for an offset, two for a line."""
    from_ms: int
    undone_ms: int | None = None

    @property
    def check_ids(self) -> tuple[str, ...]:
        return tuple(a.capture_id for a in self.anchors if a.capture_id)

    @property
    def method(self) -> str:
        """How a value became another one, in words."""
        word = "check" if len(self.check_ids) == 1 else "checks"
        return f"corrected by {self.line} ({word} {', '.join(self.check_ids)})"

    def u_at(self, said: float) -> float:
        """Standard uncertainty of the correction where the meter says `said`.

        From one check that of its bias. On a line through two, (1 - w) u1 and w u2 in squares with
        w = (said - said1) / (said2 - said1): beyond the checks it grows with the distance.
        """
        if len(self.anchors) == 1:
            return self.anchors[0].u
        first, second = self.anchors
        w = (said - first.said) / (second.said - first.said)
        return math.hypot((1.0 - w) * first.u, w * second.u)


def in_force(corrections: Iterable[StandingCorrection]) -> dict[str, StandingCorrection]:
    """Give by quantity the correction that holds: the latest that was not undone."""
    return {one.quantity: one for one in corrections if one.undone_ms is None}
