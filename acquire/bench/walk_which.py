"""Is the probe in the water the round thinks it is in? Doubts, with what a person may answer. Pure.

A water is in doubt when it is far from what is expected of it, or when another water of the round
fits clearly better. Of two waters of the same values nobody can tell which one the probe is in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from acquire.bench.flagged import READS_LIKE
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
from acquire.bench.walk_glimpse import Seen
from acquire.readings import Capture, Channel
from acquire.rounds import Stop
from acquire.water.solutions import Solution

__all__ = ["ANOTHER", "Doubt", "Which"]

ANOTHER = "another water"
"""The answer that it is none of those named."""
_BETTER = 0.5
"""Another water fits clearly better from this part of the distance on."""
_AT_HOME = 0.25
"""A water as near as this to what it read before is not asked about: in the margins of one round,
for those of other days would take in its neighbours."""
_CLEARLY = 0.25
"""Nearer than so to what is expected of it, a water is not taken for one that is merely expected to
be nearer: days differ by more."""

_LEFT_PART, _LEFT = 0.25, 5.0
"""Of what the cell showed, and µS/cm: one glass does not read farther from what was seen of it when
it was lifted early (judgement, no source)."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """Why the water may be another, and what to ask."""

    why: str
    question: str
    answers: tuple[str, ...]
    like: str = ""
    """The water that the values are like; empty where there is none."""
    is_unlike: bool = False
    """Far from all that is known of its own water."""


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
        self._rinse: dict[str, tuple[Seen, Likeness]] = {}
        self._elsewhere: dict[str, None] = {}
        """Waters of rinses that were made in a glass that holds none."""
        self._alike: set[frozenset[str]] = set()
        self._left: dict[str, Seen] = {}
        """What was shown of a water before it was lifted early."""
        self._solutions = {
            stop.water: from_solution(solutions[stop.solution], channels)
            for stop in course.stops
            if stop.solution in solutions
        }
        self._pure = pure(channels)
        self._ionic = next(
            (q for q in ("conductivity", "tds") if any(c.quantity == q for c in channels)), ""
        )

    def learn(self, stop: Stop, seen: Seen) -> None:
        """Remember what was seen of the glass of a stop in passing.

        What reads as the rinse does was one more rinse, and says nothing of the water.
        """
        if stop.kind == "rinse":
            self.learn_rinse(stop.water, seen)
            return
        shown = {self._ionic: seen.middle}
        if not any((like.distance(shown) or 0.0) <= 1.0 for _, like in self._rinse.values()):
            self._left[stop.water] = seen

    def learn_rinse(self, water: str, seen: Seen) -> None:
        """Remember what was shown while the probe was rinsed, for a capture made in that glass.

        What is no rinse by all that is known was seen in another glass, by mistake.
        """
        least = {self._ionic: seen.low}
        off = _farthest(self._expected_of_rinse(water), least)
        if off is not None and off > 1.0:
            if not seen.is_brief:
                self._elsewhere[water] = None
            return
        known = self._rinse.get(water)
        if known is not None and seen.is_worse(known[0]):
            return  # the film of a stronger water is no news of the glass
        values = {self._ionic: seen.middle}
        values |= {} if seen.temp_c is None else {"temperature": seen.temp_c}
        like = at_once(self._ionic, values, half=seen.half)
        if like is not None:
            self._rinse[water] = seen, like

    def learn_alike(self, water: str, other: str) -> None:
        """Somebody has said that it is this water, though it reads like the other: both do."""
        self._alike.add(frozenset((water, other)))

    @property
    def rinses_seen(self) -> tuple[str, ...]:
        """The waters of rinses of which something was seen: in their glass, or in another one."""
        return tuple(dict.fromkeys((*self._rinse, *self._elsewhere)))

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
                return self._asked(why, names, like=nearest[0], is_unlike=True)
            return self._asked(why, [stop.water], is_unlike=True)
        if nearest is not None and not self._is_at_home(stop.water, but, values):
            water, distance = nearest
            is_seen = bool(self._course.captures_of(water, but=but)) or water in self._rinse
            is_better = off is None or (distance < _BETTER * off and (is_seen or off > _CLEARLY))
            if is_better and frozenset((stop.water, water)) not in self._alike:
                return self._asked(f"{READS_LIKE} {water}", [stop.water, water], like=water)
        like_rinse = self.like_rinse(stop, values, but=but)
        return like_rinse or (self._unlike_left(stop, values) if off is None else None)

    def _unlike_left(self, stop: Stop, values: Mapping[str, float]) -> Doubt | None:
        """Ask of a first capture that reads otherwise than what was lifted early from its glass.

        Which of the two was the right glass, only the person knows.
        """
        seen, value = self._left.get(stop.water), values.get(self._ionic)
        if seen is None or value is None:
            return None
        margin = _LEFT_PART * seen.middle + _LEFT
        if seen.low - margin <= value <= seen.high + margin:
            return None
        name = self._ionic if self._ionic != "tds" else "TDS"
        why = f"{name} {value:.4g} where {seen.told()} was seen before it was lifted"
        ahead = [one.water for one in self._course.waters_to_come() if one.water != stop.water]
        return self._asked(why, [*ahead[:2], stop.water])

    def is_unheard_of(self, stop: Stop) -> bool:
        """Whether a water is met for the first time, once, in a round that shows no rinse.

        Any glass on the table may be it: a repeat, an earlier round or the glass of the rinse would
        tell.
        """
        if stop.kind != "water" or stop.repeats > 1 or self._past.get(stop.water) is not None:
            return False
        is_rinsed = any(other.kind == "rinse" for other in self._course.stops)
        return not is_rinsed and not self._plan.get(stop.water)

    def like_rinse(
        self, stop: Stop, values: Mapping[str, float], *, but: str = "", afterwards: bool = False
    ) -> Doubt | None:
        """Doubt a capture that shows at once what a rinse did, more than what its water did.

        `afterwards`: of a capture that was taken before; nobody is asked.
        """
        here = self._course.captures_of(stop.water, but=but)
        own = [at_once(self._ionic, values_of(one)) for one in here]
        past = self._past.get(stop.water)
        if not here and past is not None:
            own = [at_once(self._ionic, past.middles)]
        off = min(
            (d for one in own if one and (d := one.distance(values)) is not None), default=9.0
        )
        for water, (seen, rinse) in self._rinse.items():
            distance = rinse.distance(values)
            if frozenset((stop.water, water)) in self._alike:
                continue
            is_enough = off > 1.0 if here else afterwards and seen.is_rough and not own
            if seen.is_vague and not is_enough:
                continue
            if water != stop.water and distance is not None and distance <= min(1.0, _BETTER * off):
                return self._asked(f"{READS_LIKE} {water}", [stop.water, water], like=water)
        return self._perhaps_swapped(stop, values) if afterwards and not own else None

    def _perhaps_swapped(self, stop: Stop, values: Mapping[str, float]) -> Doubt | None:
        """Doubt a water of which nothing is known and that reads as a rinse may, once a rinse was
        seen in a glass that holds none: the two glasses may have changed places.
        """
        shown = {q: value for q, value in values.items() if q == self._ionic}
        for water in self._elsewhere:
            if water in self._rinse and not self._rinse[water][0].is_vague:
                continue  # what it reads is known well enough
            off = _farthest(self._expected_of_rinse(water), shown)
            is_known = stop.water in self._plan or frozenset((stop.water, water)) in self._alike
            if water != stop.water and not is_known and off is not None and off <= 1.0:
                why = f"it reads as {water} may, which was not in its glass"
                return self._asked(why, [stop.water, water], like=water)
        return None

    def is_rinse(
        self, stop: Stop, following: Stop | None, values: Mapping[str, float]
    ) -> bool | None:
        """Whether a probe that should be rinsing is; False: in the next water. None: ask."""
        off = _farthest(self._expected_of_rinse(stop.water), values)
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

    def _expected_of_rinse(self, water: str) -> list[Likeness]:
        """Give what a rinse should read: by the plan and the past, else nearly pure."""
        own = [one for one in (self._plan.get(water), self._past.get(water)) if one]
        return own or ([self._pure] if self._pure else [])

    def rinse_doubt(self, stop: Stop, following: Stop | None) -> Doubt:
        """Give what to ask when it is not certain that this is still the rinse."""
        names = [*([following.water] if following else []), stop.water]
        why = f"it may be {names[0]} already, or still the rinse in {stop.water}"
        return self._asked(why, names)

    def _asked(
        self, why: str, names: Sequence[str], *, like: str = "", is_unlike: bool = False
    ) -> Doubt:
        answers = (*dict.fromkeys(names), ANOTHER)
        question = f"Which water is the probe in? {_capital(why)}."
        return Doubt(why, question, answers, like, is_unlike)

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
                seen, rinse = self._rinse[stop.water]
                known += [] if seen.is_vague else [rinse]
            distance = _farthest(known, values)
            if distance is not None and distance <= 1.0:
                found[stop.water] = distance
        return sorted(found.items(), key=lambda one: one[1])


def _farthest(known: Sequence[Likeness], values: Mapping[str, float]) -> float | None:
    found = [one.distance(values) for one in known]
    return max((off for off in found if off is not None), default=None)


def _capital(text: str) -> str:
    return text if text.startswith("pH") else text[:1].upper() + text[1:]
