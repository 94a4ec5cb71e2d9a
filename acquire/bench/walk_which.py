"""Is the probe in the water the round thinks it is in? Doubts, with what a person may answer. Pure.

A water is in doubt when it is far from what is expected of it, or when another water of the round
fits clearly better. Of two waters of the same values nobody can tell which one the probe is in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from acquire.bench.likeness import Likeness, from_captures, from_plan, from_solution, pure
from acquire.bench.plan import Ranges
from acquire.bench.walk_course import Course
from acquire.readings import Capture, Channel
from acquire.rounds import Stop
from acquire.water.solutions import Solution

__all__ = ["ANOTHER", "Doubt", "Which"]

ANOTHER = "another water"
"""The answer that it is none of those named."""
_BETTER = 0.5
"""Another water fits clearly better from this part of the distance on."""
_AT_HOME = 0.15
"""A water as near as this to what is expected of it is not asked about."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """Why the water may be another, and what to ask."""

    why: str
    question: str
    answers: tuple[str, ...]


class Which:
    """Knows what each water of a round should read: from the plan, the past, and this round."""

    def __init__(
        self,
        course: Course,
        channels: Sequence[Channel],
        solutions: Mapping[str, Solution],
        expected: Mapping[str, Ranges],
        history: Mapping[str, Sequence[Capture]],
    ) -> None:
        """`expected` and `history` by the name of the water; captures newest first."""
        self._course = course
        self._plan = {w: from_plan(r) for w, r in expected.items()}
        self._past = {w: from_captures(c[:10], this_round=False) for w, c in history.items()}
        self._solutions = {
            stop.water: from_solution(solutions[stop.solution], channels)
            for stop in course.stops
            if stop.solution in solutions
        }
        self._pure = pure(channels)
        self._ionic = next(
            (q for q in ("conductivity", "tds") if any(c.quantity == q for c in channels)), ""
        )

    def can_tell(self, values: Mapping[str, float]) -> bool:
        """Whether enough has settled to compare: conductivity, where the meter has it."""
        return bool(values) and (not self._ionic or self._ionic in values)

    def doubt(self, stop: Stop, values: Mapping[str, float], *, but: str = "") -> Doubt | None:
        """Give why these values may be another water's than the stop's; `but` is their capture."""
        own = self._own(stop.water, but)
        off = _farthest(own, values)
        near = self._near(stop.water, values, but)
        nearest = near[0] if near else None
        if off is not None and off > 1.0:
            worst = max(own, key=lambda one: one.distance(values) or 0.0)
            why = f"{worst.told(values)} ({worst.known_from})"
            if nearest is not None:
                why += f", much like {nearest[0]}"
                return self._asked(why, [nearest[0], stop.water, *(n for n, _ in near[1:2])])
            return self._asked(why, [stop.water])
        if nearest is None or (off is not None and off <= _AT_HOME):
            return None
        water, distance = nearest
        if off is None or distance < _BETTER * off:
            return self._asked(f"it reads like {water}", [stop.water, water])
        return None

    def is_rinse(
        self, stop: Stop, following: Stop | None, values: Mapping[str, float]
    ) -> bool | None:
        """Whether a probe that should be rinsing is; False: in the next water. None: ask."""
        own = [one for one in (self._plan.get(stop.water), self._past.get(stop.water)) if one]
        off = _farthest(own or ([self._pure] if self._pure else []), values)
        ahead = None if following is None else _farthest(self._own(following.water, ""), values)
        if off is None or off <= 1.0:
            if following is None or (ahead is not None and ahead > 1.0):
                return True
            return None
        if ahead is not None and ahead <= 1.0:
            return False
        return None

    def rinse_doubt(self, stop: Stop, following: Stop | None) -> Doubt:
        """Give what to ask when it is not certain that this is still the rinse."""
        names = [*([following.water] if following else []), stop.water]
        why = f"it may be {names[0]} already, or still the rinse in {stop.water}"
        return self._asked(why, names)

    def _asked(self, why: str, names: Sequence[str]) -> Doubt:
        answers = (*dict.fromkeys(names), ANOTHER)
        return Doubt(why, f"Which water is the probe in? {_capital(why)}.", answers)

    def _own(self, water: str, but: str) -> list[Likeness]:
        """Give all that is known of a water: this round's captures, plan, past, solution."""
        here = from_captures(self._course.captures_of(water, but=but), this_round=True)
        found = [here, self._plan.get(water), self._solutions.get(water)]
        if here is None and water not in self._plan:
            found.append(self._past.get(water))
        return [one for one in found if one is not None]

    def _near(self, water: str, values: Mapping[str, float], but: str) -> list[tuple[str, float]]:
        """Give the other waters of the round that these values fit, the nearest first."""
        found: dict[str, float] = {}
        for stop in self._course.stops:
            if stop.water == water or stop.kind == "count" or stop.water in found:
                continue
            distance = _farthest(self._own(stop.water, but), values)
            if distance is not None and distance <= 1.0:
                found[stop.water] = distance
        return sorted(found.items(), key=lambda one: one[1])


def _farthest(known: Sequence[Likeness], values: Mapping[str, float]) -> float | None:
    found = [one.distance(values) for one in known]
    return max((off for off in found if off is not None), default=None)


def _capital(text: str) -> str:
    return text if text.startswith("pH") else text[:1].upper() + text[1:]
