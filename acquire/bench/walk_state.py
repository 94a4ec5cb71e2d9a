"""A round under way: where the probe is, what was said, what is due. No judgement, no I/O."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

from acquire.bench.walk_course import Course
from acquire.bench.walk_glimpse import Glimpse
from acquire.bench.walk_which import Doubt
from acquire.checks import Check, StandingCorrection
from acquire.readings import Capture, Channel, Event, Role, Stamp
from acquire.rounds import ParticleCount, Round, RoundState, Stop, Visit
from acquire.water.solutions import Solution

__all__ = ["Bench", "Dip", "Seat", "UnderWay", "WalkNews"]

WalkNews = Round | Visit | Check | ParticleCount | Capture | Event
"""What a walk gives to be kept, in this order."""


DRY_PART = 0.4
"""Of its level: the cell below it is in air, not behind a bubble (judgement, no source)."""
DRY_MOST_S = 15.0
"""Longer than so it is a weaker water: of a lift that long the follower knows."""
DRY_S = 3.0
"""For so long at least (judgement, no source)."""


class Seat(Protocol):
    """Whoever names the water met next: the taker."""

    def expect(
        self, water: str, role: Role | None = None, judged: Collection[str] = ()
    ) -> None: ...
    def expect_nothing(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Bench:
    """What a walk must know of the meter."""

    channels: Sequence[Channel]
    solutions: Mapping[str, Solution]
    corrections: Mapping[str, StandingCorrection] = field(default_factory=dict)

    def judged(self, stop: Stop) -> frozenset[str]:
        """Give what a check is for, with what tells the bottle and how warm it is; else nothing.

        A conductivity standard is not buffered, and its pH goes on for as long as anybody waits.
        """
        solution = self.solutions.get(stop.solution)
        names = {channel.quantity for channel in self.channels}
        mine = {one.quantity for one in solution.expects} & names if solution else set()
        if not mine:
            return frozenset()
        return frozenset(mine | ({"temperature", "conductivity", "tds"} & names))


@dataclass(slots=True)
class Dry:
    """Whether the cell showed what it shows in air for a while, between two stays in a water.

    In water that conducts hardly more than a step of the display nothing else tells a lift.
    """

    level: float = 0.0
    """The highest of the last values, which one drop of a display does not lower."""
    since_s: float | None = None
    spells: list[tuple[float, float]] = field(default_factory=list)
    """From, for how long, s; those that ended in water again."""

    def see(self, t_s: float, value: float) -> None:
        """Take what the cell shows at t_s."""
        if value <= DRY_PART * self.level:
            self.since_s = t_s if self.since_s is None else self.since_s
            if t_s - self.since_s <= DRY_MOST_S:
                return
            self.level, self.since_s = value, None  # the film of a stronger water has gone
            return
        if self.since_s is not None and t_s - self.since_s >= DRY_S:
            self.spells.append((self.since_s, t_s - self.since_s))
        self.since_s = None
        self.level = value if self.level == 0.0 else max(value, 0.9 * self.level)

    def before(self, t_s: float) -> float:
        """Give for how long in all it was dry before t_s, s."""
        return sum(for_s for since_s, for_s in self.spells if since_s < t_s)


@dataclass(slots=True)
class Dip:
    """One immersion."""

    began_s: float
    position: int
    """Of the stop it is taken for; the number of stops: none."""
    for_s: float = 0.0
    provisional: Capture | None = None
    is_confirmed: bool = False
    """The provisional capture has stood for so long that the probe may be lifted."""
    unsettled: Capture | None = None
    stayed_on: bool = False
    """The probe was still in the water after the time for settling was over."""
    moved_on: int = 0
    """Captures of it that were taken back."""
    visit: Visit | None = None
    doubt: Doubt | None = None
    was_doubted: str = ""
    was_like: str = ""
    """The other water it read like when it was doubted."""
    is_sure: bool = False
    """Somebody has said which water it is."""
    is_discarded: bool = False
    is_stray: bool = False
    """In a water that is none of the stops'."""
    apart: str = ""
    flags: list[str] = field(default_factory=list)
    glimpse: Glimpse = field(default_factory=Glimpse)
    dry: Dry = field(default_factory=Dry)


class UnderWay:
    """The state that the parts of a walk share."""

    def __init__(
        self,
        course: Course,
        seat: Seat,
        new_id: Callable[[], str],
        judged: Callable[[Stop], Collection[str]] = lambda _: (),
    ) -> None:
        """`judged` gives the quantities a stop is taken for, where that is not all of them."""
        self.course = course
        self._judged = judged
        self.new_id = new_id
        self.dip: Dip | None = None
        self.past: Dip | None = None
        """The last immersion, for an answer that comes late."""
        self.named: dict[str, tuple[str, Role | None]] = {}
        """By capture: the water and role it is told under."""
        self.rinsed_s = 0.0
        self.warnings: list[str] = []
        self.pending: dict[int, list[str]] = {}
        """Flags of a stop's next visit: lifted early, done again."""
        self.note = ""
        self.now: Stamp | None = None
        self._seat = seat

    @property
    def is_over(self) -> bool:
        return self.course.round.state != "open"

    @property
    def doubted(self) -> Dip | None:
        """The immersion that is asked about: the present one before the last."""
        return next((d for d in (self.dip, self.past) if d is not None and d.doubt), None)

    def stop_of(self, dip: Dip) -> Stop | None:
        """Give the stop an immersion is taken for; None when it is none's."""
        stops = self.course.stops
        return stops[dip.position] if dip.position < len(stops) else None

    def due(self) -> Stop | None:
        position = self.course.current
        return self.course.stops[position] if position < len(self.course.stops) else None

    def place_for_dip(self) -> int:
        """The stop an immersion is taken for: the one due; a count is done without the probe."""
        position, stops = self.course.current, self.course.stops
        if position < len(stops) and stops[position].kind == "count":
            following = self.course.after(position)
            return len(stops) if following is None else following
        return position

    def warn(self, text: str) -> None:
        self.warnings[:] = [text]

    def forget(self, position: int) -> None:
        """A stop was left out: what was said of it is over."""
        self.warnings.clear()
        self.pending.pop(position, None)
        if self.course.stops[position].kind == "rinse":
            self.rinsed_s = 0.0

    def data(self) -> dict[str, float | str]:
        """Give what every event of a round carries."""
        return {"round": self.course.round.id}

    def aim(self, position: int | None = None) -> None:
        """Tell the taker which water it meets next."""
        self._seat.expect_nothing()
        here = self.dip
        if position is None and here is not None and here.visit is None and not here.is_stray:
            position = here.position
        at = self.place_for_dip() if position is None else position
        if at < len(self.course.stops) and not self.is_over:
            stop = self.course.stops[at]
            self._seat.expect(stop.water, stop.role, self._judged(stop))

    def move_on(self, stamp: Stamp) -> list[WalkNews]:
        """Aim at what comes next; the last one ends the round."""
        if self.course.current == len(self.course.stops) and not self.is_over:
            return self.end("done", stamp)
        self.aim()
        return []

    def end(self, state: RoundState, stamp: Stamp) -> list[WalkNews]:
        self.course.round = replace(self.course.round, state=state, ended_ms=stamp.at_ms)
        self._seat.expect_nothing()
        text = f"round {self.course.round.id} ({self.course.round.plan}) is {state}"
        event = Event("round_over", stamp, self.course.round.meter, text, self.data())
        return [replace(self.course.round, visits=()), event]
