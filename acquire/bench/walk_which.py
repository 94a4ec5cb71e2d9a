"""Is the probe in the water the round thinks it is in? Doubts, with what a person may answer. Pure.

A water is in doubt when it is far from what is expected of it, or when another water of the round
fits clearly better. Of two waters of the same values nobody can tell which one the probe is in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from acquire.bench.likeness import (
    Likeness,
    at_once,
    from_captures,
    from_plan,
    from_solution,
    pure,
    values_of,
)
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
"""A water as near as this to what it read before is not asked about: in the margins of one round,
for those of other days would take in its neighbours."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """Why the water may be another, and what to ask."""

    why: str
    question: str
    answers: tuple[str, ...]
    like: str = ""
    """The water that the values are like; empty where there is none."""


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
        self._home = {w: from_captures(c[:10], this_round=True) for w, c in history.items()}
        self._rinse: dict[str, Likeness] = {}
        self._solutions = {
            stop.water: from_solution(solutions[stop.solution], channels)
            for stop in course.stops
            if stop.solution in solutions
        }
        self._pure = pure(channels)
        self._ionic = next(
            (q for q in ("conductivity", "tds") if any(c.quantity == q for c in channels)), ""
        )

    def learn_rinse(self, water: str, values: Mapping[str, float]) -> None:
        """Remember what was shown while the probe was rinsed, for a capture made in that glass."""
        known = at_once(self._ionic, values)
        if known is not None:
            self._rinse[water] = known

    def may_be_rinse(self, stop: Stop, rinse: str, values: Mapping[str, float]) -> bool:
        """Whether a capture made before may have been in the rinse, as far as that is known now.

        Only where nothing was known of its water beforehand.
        """
        water = stop.water
        known = water in self._plan or self._past.get(water) or water in self._solutions
        like = self._rinse.get(rinse)
        distance = None if known or like is None or rinse == water else like.distance(values)
        return distance is not None and distance <= 1.0

    @property
    def ionic(self) -> str:
        """The quantity that tells waters apart at once: conductivity, or dissolved solids."""
        return self._ionic

    def can_tell(self, values: Mapping[str, float]) -> bool:
        """Whether enough has settled to compare: conductivity, where the meter has it."""
        return bool(values) and (not self._ionic or self._ionic in values)

    def doubt(self, stop: Stop, values: Mapping[str, float], *, but: str = "") -> Doubt | None:
        """Give why these values may be another water's than the stop's; `but` is their capture."""
        own = self._own(stop.water, but, values)
        off = _farthest(own, values)
        near = self._near(stop.water, values, but)
        nearest = near[0] if near else None
        if off is not None and off > 1.0:
            worst = max(own, key=lambda one: one.distance(values) or 0.0)
            why = f"{worst.told(values)} ({worst.known_from})"
            if nearest is not None:
                why += f", much like {nearest[0]}"
                names = [nearest[0], stop.water, *(n for n, _ in near[1:2])]
                return self._asked(why, names, like=nearest[0])
            return self._asked(why, [stop.water])
        if nearest is None or self._is_at_home(stop.water, but, values):
            return self._like_rinse(stop, values, but)
        water, distance = nearest
        if off is None or distance < _BETTER * off:
            return self._asked(f"it reads like {water}", [stop.water, water], like=water)
        return self._like_rinse(stop, values, but)

    def _like_rinse(self, stop: Stop, values: Mapping[str, float], but: str) -> Doubt | None:
        """Doubt a capture that shows at once what the rinse did, more than what its water did."""
        here = self._course.captures_of(stop.water, but=but)
        own = [at_once(self._ionic, values_of(one)) for one in here]
        past = self._past.get(stop.water)
        if not here and past is not None:
            own = [at_once(self._ionic, past.middles)]
        off = min(
            (d for one in own if one and (d := one.distance(values)) is not None), default=9.0
        )
        for water, rinse in self._rinse.items():
            distance = rinse.distance(values)
            if here and off > 1.0:
                # The film of the water before makes a short rinse look stronger than it is.
                distance = rinse.above(values)
            if water != stop.water and distance is not None and distance <= min(1.0, _BETTER * off):
                return self._asked(f"it reads like {water}", [stop.water, water], like=water)
        return None

    def is_rinse(
        self, stop: Stop, following: Stop | None, values: Mapping[str, float]
    ) -> bool | None:
        """Whether a probe that should be rinsing is; False: in the next water. None: ask."""
        own = [one for one in (self._plan.get(stop.water), self._past.get(stop.water)) if one]
        off = _farthest(own or ([self._pure] if self._pure else []), values)
        ahead = (
            None if following is None else _farthest(self._own(following.water, "", values), values)
        )
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

    def _asked(self, why: str, names: Sequence[str], *, like: str = "") -> Doubt:
        answers = (*dict.fromkeys(names), ANOTHER)
        question = f"Which water is the probe in? {_capital(why)}."
        return Doubt(why, question, answers, like)

    def _own(self, water: str, but: str, values: Mapping[str, float]) -> list[Likeness]:
        """Give all that is known of a water: this round's captures, plan, past, solution."""
        here = self._here(water, but, values)
        found = [here, self._plan.get(water), self._solutions.get(water)]
        if here is None and water not in self._plan:
            found.append(self._past.get(water))
        return [one for one in found if one is not None]

    def _here(self, water: str, but: str, values: Mapping[str, float]) -> Likeness | None:
        """Give the capture of this water in this round that is nearest; one may be mistaken."""
        captures = self._course.captures_of(water, but=but)
        known = [from_captures([one], this_round=True) for one in captures]
        return min(
            (one for one in known if one is not None),
            key=lambda one: _farthest([one], values) or 0.0,
            default=None,
        )

    def _is_at_home(self, water: str, but: str, values: Mapping[str, float]) -> bool:
        """Whether the values are so near to what this water read before that none needs to ask."""
        known = [self._here(water, but, values), self._home.get(water)]
        off = _farthest([one for one in known if one is not None], values)
        return off is not None and off <= _AT_HOME

    def _near(self, water: str, values: Mapping[str, float], but: str) -> list[tuple[str, float]]:
        """Give the other waters of the round that these values fit, the nearest first."""
        found: dict[str, float] = {}
        for stop in self._course.stops:
            if stop.water == water or stop.kind == "count" or stop.water in found:
                continue
            known = self._own(stop.water, but, values)
            if stop.kind == "rinse" and stop.water in self._rinse:
                known.append(self._rinse[stop.water])
            distance = _farthest(known, values)
            if distance is not None and distance <= 1.0:
                found[stop.water] = distance
        return sorted(found.items(), key=lambda one: one[1])


def _farthest(known: Sequence[Likeness], values: Mapping[str, float]) -> float | None:
    found = [one.distance(values) for one in known]
    return max((off for off in found if off is not None), default=None)


def _capital(text: str) -> str:
    return text if text.startswith("pH") else text[:1].upper() + text[1:]
