"""What became of each stop so far, and which is next: the bookkeeping of a round. No judgement."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from acquire.readings import Capture
from acquire.rounds import Round, Stop, StopState, Visit

__all__ = ["Course"]


class Course:
    """A round as it stands; `captures` are those its visits name, by id."""

    def __init__(self, round_: Round, captures: Iterable[Capture] = ()) -> None:
        self.round = round_
        self.captures = {capture.id: capture for capture in captures}

    @property
    def stops(self) -> tuple[Stop, ...]:
        return self.round.stops

    @property
    def visits(self) -> tuple[Visit, ...]:
        return self.round.visits

    @property
    def current(self) -> int:
        """The first stop that is not done; the number of stops when all are."""
        return next((n for n in range(len(self.stops)) if not self.is_done(n)), len(self.stops))

    @property
    def is_over(self) -> bool:
        return self.round.state != "open" or self.current == len(self.stops)

    def taken(self, position: int) -> list[Visit]:
        """Give the visits that gave a stop its record, in order of time."""
        return [v for v in self.visits if v.position == position and v.state == "taken"]

    def is_done(self, position: int) -> bool:
        """Skipped, or taken as often as is wanted."""
        skipped = any(v.position == position and v.state == "skipped" for v in self.visits)
        return skipped or len(self.taken(position)) >= self.stops[position].repeats

    def state_of(self, position: int) -> StopState:
        if not self.is_done(position):
            return "now" if position == self.current and not self.is_over else "to come"
        return "taken" if self.taken(position) else "skipped"

    def after(self, position: int) -> int | None:
        """Give the next stop for the probe behind that one, that is not done and no rinse."""
        for number in range(position + 1, len(self.stops)):
            if self.stops[number].kind in {"water", "check"} and not self.is_done(number):
                return number
        return None

    def waters_to_come(self) -> list[Stop]:
        """Give the waters and solutions that are not done, in order."""
        return [
            stop
            for number, stop in enumerate(self.stops)
            if stop.kind in {"water", "check"} and not self.is_done(number)
        ]

    def open_for(self, water: str) -> int | None:
        """Give the first stop for that water, no rinse and no count, that is not done."""
        for number, stop in enumerate(self.stops):
            if stop.water == water and stop.kind in {"water", "check"} and not self.is_done(number):
                return number
        return None

    def keep(self, visit: Visit) -> Visit:
        """Take a visit in, or what became of one; its identity is stop, repeat and time."""
        others = [v for v in self.visits if _identity(v) != _identity(visit)]
        visits = tuple(sorted((*others, visit), key=lambda v: v.at_ms))
        self.round = replace(self.round, visits=visits)
        return visit

    def next_repeat(self, position: int) -> int:
        """Give which repeat comes: the first number that no taken visit has."""
        used = {v.repeat for v in self.taken(position)}
        return next(n for n in range(1, len(used) + 2) if n not in used)

    def captures_of(self, water: str, *, but: str = "") -> list[Capture]:
        """Give what was captured of a water in this round and stands, in order of time."""
        return [
            capture for visit, capture in self.taken_captures()
            if self.stops[visit.position].water == water and capture.id != but
        ]  # fmt: skip

    def taken_captures(self) -> Iterator[tuple[Visit, Capture]]:
        """Give the visits that stand, with their captures, in order of time."""
        for visit in self.visits:
            capture = self.captures.get(visit.capture_id)
            if visit.state == "taken" and capture is not None:
                yield visit, capture


def _identity(visit: Visit) -> tuple[int, int, int]:
    return visit.position, visit.repeat, visit.at_ms
