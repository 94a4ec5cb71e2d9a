"""Which water is this? What a water is expected to read, and how far from it some values are.

Distances are in units of a margin: up to 1 is as expected. Margins are judgement, no source: wider
than a settled value wanders from day to day, narrower than one household water is from another.
ORP is compared only within a round, where the electrode has the same past.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from acquire.bench.plan import Ranges
from acquire.bench.standard import right_reading
from acquire.errors import WaterError
from acquire.readings import Capture, Channel
from acquire.water.solution_strength import least_conductivity
from acquire.water.solutions import Solution

__all__ = [
    "Likeness",
    "from_captures",
    "from_plan",
    "from_solution",
    "pure",
    "values_of",
]

Values = Mapping[str, float]

_COMPARED = ("conductivity", "tds", "ph", "orp")
PURE_US_CM = 60.0
"""What an unknown rinse water is taken to stay below (judgement, no source)."""
_LEAST_PART = 0.5
"""Of what a pH solution conducts at least: it is the meter that is tested, and some show it at the
water's own temperature (judgement, no source)."""
_ENDS_US_CM = 1900.0
"""More is asked of no solution: many displays end at 1999 (common practice, no source)."""
_THIN = 50.0
"""µS/cm below which pH is worth little: no buffering."""


@dataclass(frozen=True, slots=True)
class Likeness:
    """What a water is expected to read."""

    middles: Values
    margins: Values
    known_from: str
    """In words: the plan, its last captures, this round, the solution."""
    floors: Values = field(default_factory=dict)
    """What a quantity does not stay below, where no more is known of it."""

    def distance(self, values: Values) -> float | None:
        """Give how far the values are, in margins: the farthest; None when nothing compares."""
        found = [self._off(q, value) for q, value in values.items() if self._knows(q)]
        return max(found, default=None)

    def told(self, values: Values) -> str:
        """Say in which quantity they are farthest, with both numbers."""
        names = [q for q in values if self._knows(q)]
        if not names:
            return ""
        worst = max(names, key=lambda q: self._off(q, values[q]))
        name = worst.replace("_", " ") if worst not in {"ph", "orp", "tds"} else worst.upper()
        name = "pH" if worst == "ph" else name
        if worst in self.floors:
            return f"{name} {values[worst]:.4g} where above {self.floors[worst]:.4g} was expected"
        return f"{name} {values[worst]:.4g} where about {self.middles[worst]:.4g} was expected"

    def _knows(self, quantity: str) -> bool:
        return quantity in self.middles or quantity in self.floors

    def _off(self, quantity: str, value: float) -> float:
        if quantity in self.floors:
            return self.floors[quantity] / value if value > 0 else math.inf
        return abs(value - self.middles[quantity]) / self.margins[quantity]


def values_of(capture: Capture) -> dict[str, float]:
    """Give what of a capture can be compared: values that settled."""
    return {name: value.value for name, value in capture.values.items() if value.phase == "settled"}


def from_captures(captures: Sequence[Capture], *, this_round: bool) -> Likeness | None:
    """Give what earlier captures of a water lead to expect; None without any."""
    columns: dict[str, list[float]] = {}
    for capture in captures:
        for name, value in values_of(capture).items():
            if name in _COMPARED:
                columns.setdefault(name, []).append(value)
    if "conductivity" in columns:
        columns.pop("tds", None)
    if not this_round:
        columns.pop("orp", None)
    if not columns:
        return None
    middles = {name: statistics.median(seen) for name, seen in columns.items()}
    margins = {}
    for name, seen in columns.items():
        spread = 3.0 * statistics.pstdev(seen) if len(seen) > 2 else 0.0
        margins[name] = max(
            spread, _floor(name, middles, this_round=this_round, several=len(seen) > 2)
        )
    several = f"its last {len(captures)} captures" if len(captures) > 1 else "its last capture"
    return Likeness(middles, margins, "this round" if this_round else several)


def _floor(name: str, middles: Values, *, this_round: bool, several: bool) -> float:
    is_thin = _is_thin(middles)
    match name:
        case "conductivity" | "tds":
            part, least = (0.05, 1.5) if this_round else (0.25, 5.0) if several else (0.3, 10.0)
            return part * abs(middles[name]) + least
        case "ph":
            return (0.6 if this_round else 1.2) if is_thin else (0.35 if this_round else 0.8)
        case _:
            return 150.0 if is_thin else 100.0


def _is_thin(values: Values) -> bool:
    return values.get("conductivity", 2.0 * values.get("tds", math.inf)) < _THIN


def at_once(quantity: str, values: Values, *, half: float = 0.0) -> Likeness | None:
    """Give what two looks at one glass show of the quick ones: the cell, and how warm it is.

    Within 5 % and half a step of a usual display, and 1 °C; `half` is how far the first look left
    it open.
    """
    margins = {}
    if quantity in values:
        margins[quantity] = 0.05 * abs(values[quantity]) + 0.6 + half
        if "temperature" in values:
            margins["temperature"] = 1.0
    middles = {name: values[name] for name in margins}
    return Likeness(middles, margins, "this round") if middles else None


def are_apart(one: Capture, other: Capture) -> bool:
    """Whether two repeats are farther apart than repeats of one glass are: far in one quantity, or
    a little in two. Margins are judgement, no source.
    """
    here, there = values_of(one), values_of(other)
    apart = {q: abs(there[q] - here[q]) for q in here if q in there}
    ionic = {q: abs(here.get(q, 0.0)) for q in ("conductivity", "tds")}
    far = {q: 0.04 * said + 1.0 for q, said in ionic.items()}
    far |= {"ph": 0.2, "orp": 150.0 if _is_thin(here) else 100.0}
    if any(apart[q] > margin for q, margin in far.items() if q in apart):
        return True
    return sum(off > 1.0 for off in _in_littles(one, other).values()) > 1


def how_far(one: Capture, other: Capture) -> float:
    """Give how far apart two captures of a round are in pH, ORP and temperature, in margins that
    two repeats keep to: the root of the sum of squares, 0 where nothing compares.

    Drops that come along raise the conductivity of a thin water by more than such a margin.
    """
    off = _in_littles(one, other)
    return math.hypot(*(part for q, part in off.items() if q not in {"conductivity", "tds"}))


def _in_littles(one: Capture, other: Capture) -> dict[str, float]:
    """Give by quantity how far apart they are, in margins for a little."""
    here, there = values_of(one), values_of(other)
    # A glass goes on warming no faster than it did, but for the warmth of a hand.
    rates = [
        abs(c.values["temperature"].drift_per_min)
        for c in (one, other)
        if "temperature" in c.values
    ]
    minutes = abs(other.taken.t_s - one.taken.t_s) / 60.0
    little: dict[str, float] = {
        q: 0.02 * abs(here[q]) + 0.4
        for q in ("conductivity", "tds")
        if q in here and (q != "tds" or "conductivity" not in here)
    }
    little |= {"ph": 0.12 if _is_thin(here) else 0.08, "orp": 25.0}
    little["temperature"] = 0.3 + 1.5 * max(rates, default=0.0) * minutes
    return {
        q: abs(there[q] - here[q]) / margin
        for q, margin in little.items()
        if q in here and q in there
    }


def from_plan(ranges: Ranges) -> Likeness | None:
    """Give what the plan says a water reads: inside its range the distance is up to 1."""
    if not ranges:
        return None
    middles = {name: (low + high) / 2.0 for name, (low, high) in ranges.items()}
    margins = {name: max((high - low) / 2.0, 1e-6) for name, (low, high) in ranges.items()}
    return Likeness(middles, margins, "the plan")


def from_solution(
    solution: Solution, channels: Sequence[Channel], temp_c: float = 22.0
) -> Likeness | None:
    """Give about what this meter reads in a solution; wide, for it is the meter that is tested."""
    middles, margins = {}, {}
    for channel in channels:
        if channel.quantity not in {"ph", "conductivity"}:
            continue
        try:
            due = right_reading(solution, channel, temp_c).value
        except WaterError:
            continue
        middles[channel.quantity] = due
        margins[channel.quantity] = 0.7 if channel.quantity == "ph" else 0.25 * abs(due) + 10.0
    floors = {}
    least = None if "conductivity" in middles else least_conductivity(solution)
    if "ph" in middles and least is not None:
        parts = {"conductivity": 1.0, "tds": 0.5}
        names = {channel.quantity for channel in channels}
        rough = min(float(f"{_LEAST_PART * least:.2g}"), _ENDS_US_CM)
        floors = {q: rough * part for q, part in parts.items() if q in names}
    return Likeness(middles, margins, "the solution", floors) if middles else None


def pure(channels: Iterable[Channel]) -> Likeness | None:
    """Give what an unknown rinse water is taken for: nearly pure."""
    names = {channel.quantity for channel in channels}
    if "conductivity" in names:
        half = PURE_US_CM / 2.0
        return Likeness({"conductivity": half}, {"conductivity": half}, "rinse water")
    if "tds" in names:
        half = PURE_US_CM / 4.0
        return Likeness({"tds": half}, {"tds": half}, "rinse water")
    return None
