"""What the cell showed in a glass the probe was only rinsed in, and where that was going. Pure.

Nobody waits in a rinse until it has settled. The film of the water before washes off meanwhile, so
what was shown last is the end of a course, not its aim; and a lift is seen some seconds late, so
the very last numbers may be of air already.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

__all__ = ["Glimpse", "Seen"]

QUICK_S = 3.0
"""A cell shows the water it is in after so long (common practice, no source)."""
FILM_S = 40.0
"""The film goes on washing off at the rate seen for so long (judgement, no source)."""
_KEPT = 40
_BEFORE = 5
"""Numbers, or seconds, that tell what the one after them should be near."""
_FELL = 0.65
"""Of what was usual: below it the cell is coming into air."""
_COURSE, _COURSE_S = 4, 8.0
"""So many numbers over so many seconds tell where it is going."""
BRIEF_S = 10.0
"""In less nobody can tell whether a film is washing off."""
_STEP = 1.0
"""µS/cm that two numbers of a usual display may differ for nothing."""


_Shown = tuple[float, float, float | None]
"""When, conductivity, temperature."""


@dataclass(frozen=True, slots=True)
class Seen:
    """Conductivity between these two, and how warm."""

    low: float
    high: float
    temp_c: float | None
    is_brief: bool = False
    """Too short to tell whether the film was still washing off; the two are what was shown."""

    @property
    def middle(self) -> float:
        return (self.low + self.high) / 2.0

    @property
    def half(self) -> float:
        return (self.high - self.low) / 2.0

    @property
    def is_vague(self) -> bool:
        """Too much of the film was left to say what the glass holds."""
        return self.is_brief or self.half > 0.1 * self.middle + _STEP

    @property
    def is_rough(self) -> bool:
        """Vague, but good enough where nothing else at all is known."""
        return self.half <= 0.3 * self.middle + 2.0 * _STEP

    def told(self) -> str:
        """Say what it holds, as far as that is known."""
        low, high = f"{self.low:.3g}", f"{self.high:.3g}"
        return f"about {high}" if low == high else f"{low} to {high}"

    def is_worse(self, other: Seen) -> bool:
        """Whether it tells less than another look did, and nothing of drops that came since."""
        if not self.is_vague or (not self.is_brief and self.low > 1.1 * other.high + _STEP):
            return False
        return not other.is_vague or self.half >= other.half

    def as_data(self) -> dict[str, float | str]:
        """Give it for an event."""
        said: dict[str, float | str] = {"low": self.low, "high": self.high}
        said |= {} if self.temp_c is None else {"temperature": self.temp_c}
        return {**said, "is_brief": float(self.is_brief)}

    @classmethod
    def of_data(cls, data: Mapping[str, float | str]) -> Seen:
        """Read it back; ValueError where it is none."""
        low, high, temp_c = (data.get(name) for name in ("low", "high", "temperature"))
        if low is None or high is None:
            raise ValueError("nothing was seen")
        is_brief = bool(float(data.get("is_brief", 0.0)))
        return cls(float(low), float(high), None if temp_c is None else float(temp_c), is_brief)


@dataclass(slots=True)
class Glimpse:
    """Takes what is shown, from the moment the cell shows the water on."""

    _kept: deque[_Shown] = field(default_factory=lambda: deque(maxlen=_KEPT))

    _began_s: float = math.inf

    def see(self, t_s: float, for_s: float, value: float, temp_c: float | None) -> None:
        """Take what is shown at t_s, the probe having been in this water for so long."""
        self._kept.append((t_s, value, temp_c))
        self._began_s = min(self._began_s, t_s - for_s)

    def told(self) -> Seen | None:
        """Give what the glass holds as far as it was seen, in the longest stay between two lifts.

        None where nothing was seen.
        """
        pieces: list[list[_Shown]] = [[]]
        for one in self._kept:
            if _is_lift(pieces[-1], one):
                pieces.append([])
            pieces[-1].append(one)
        kept = max(pieces, key=len)
        if not kept:
            return None
        course = [(t, value) for t, value, _ in kept]
        shown, (last_s, _, temp_c) = [value for _, value in course], kept[-1]
        # After a lift the cell fills anew, and nobody saw when.
        if last_s - (self._began_s if kept is pieces[0] else kept[0][0]) < BRIEF_S:
            every = [value for _, value, _ in self._kept]
            return Seen(min(every), max(every), temp_c, is_brief=True)
        rate = _per_s(course)
        last = statistics.median(shown[-_BEFORE:] if rate else shown)
        low, high = sorted((last, max(0.0, last + FILM_S * rate)))
        return Seen(low, high, temp_c)


def _is_lift(before: Sequence[_Shown], one: _Shown) -> bool:
    """Whether a number has fallen out of the course of those before it: the cell is in air."""
    if not before:
        return False
    near = [v for t, v, _ in before[-_BEFORE:] if one[0] - t <= _BEFORE] or [before[-1][1]]
    return one[1] < _FELL * statistics.median(near) - _STEP / 2.0


def _per_s(course: list[tuple[float, float]]) -> float:
    """Give the rate of change by least squares; 0 where it is none beyond its own doubt."""
    if len(course) < _COURSE or course[-1][0] - course[0][0] < _COURSE_S:
        return 0.0
    t_0 = statistics.fmean(t for t, _ in course)
    spread = sum((t - t_0) ** 2 for t, _ in course)
    mean = statistics.fmean(v for _, v in course)
    rate = sum((t - t_0) * v for t, v in course) / spread
    left = sum((v - mean - rate * (t - t_0)) ** 2 for t, v in course)
    doubt = math.sqrt(max(left / len(course), _STEP**2 / 12.0) / spread)
    return rate if abs(rate) > 2.0 * doubt else 0.0
