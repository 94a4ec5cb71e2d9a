"""One random round, walked with the real follower, settler, desk and walk on a virtual clock."""

from __future__ import annotations

import itertools
from contextlib import suppress
from dataclasses import dataclass, field, replace

from kitchen import EQUAL, Kitchen, kitchen
from person import Mistakes, Person

from acquire.bench.desk import Desk
from acquire.bench.taker import CaptureTaker
from acquire.bench.walk import Bench, Walk
from acquire.bench.walk_course import Course
from acquire.bench.walk_which import Which
from acquire.quantities import BUILT_IN
from acquire.readings import Capture, Channel, Reading, Stamp
from acquire.rounds import Round, Visit
from acquire.settle import Settler
from acquire.water.solutions import built_in_solutions
from simulators.probe import Probe
from simulators.traits import Bias
from simulators.waters import Water

__all__ = ["CHANNELS", "Played", "play"]

CHANNELS = (
    Channel("ph", 0.01, accuracy=0.05),
    Channel("orp", 1.0, accuracy=5.0),
    Channel("conductivity", 1.0, accuracy_relative=0.02, reference_c=25.0, coefficient=0.02),
    Channel("temperature", 0.1, accuracy=0.5),
)
"""The four that a meter measures; what it computes from them adds nothing to this proof."""
MATERIAL = 2.0
"""Tolerances by which two waters differ at least, for a mix-up to be one that can be seen."""
MOST_S = 5 * 3600.0


@dataclass
class Played:
    """What a round gave, and what was true."""

    kitchen: Kitchen
    round: Round
    captures: dict[str, Capture]
    stays: list[tuple[str | None, float, float]]
    """Glass, from, until; seconds."""
    truths: dict[str, dict[str, float]] = field(default_factory=dict)
    """By capture: what a perfect meter of this kind shows in that glass when the capture ends."""
    meant: dict[str, dict[str, float]] = field(default_factory=dict)
    """The same of this meter, with its own bias."""
    mistakes: Mistakes = field(default_factory=Mistakes)
    asked: list[tuple[str, str]] = field(default_factory=list)
    """Each time something began to be asked: the water the walk took it for, and the glass."""
    took_s: float = 0.0
    is_over: bool = False

    def glass_of(self, capture: Capture) -> str | None:
        """The glass the probe was in from start to capture; None: in more than one, or in none."""
        begun, ended = capture.started.t_s, capture.taken.t_s
        # The beginning of an immersion is known to a few readings.
        inside = {g for g, a, b in self.stays if a < ended - 1.0 and b > begun + 5.0 and g}
        # Lifted and put back into the same glass: no other water, and nobody is misled.
        return next(iter(inside)) if len(inside) == 1 else None

    def is_alike(self, one: str, other: str) -> bool:
        """Whether two glasses hold the same to within what nobody can see."""
        here, there = self.kitchen.glasses[one], self.kitchen.glasses[other]
        pairs = {
            "ph": (here.ph_25, there.ph_25),
            "orp": (here.orp_mv, there.orp_mv),
            "conductivity": (here.ec_25_us_cm, there.ec_25_us_cm),
        }
        return all(
            abs(a - b) <= MATERIAL * BUILT_IN[q].tolerance.at(b) for q, (a, b) in pairs.items()
        )

    def visits(self) -> list[tuple[Visit, Capture]]:
        return [
            (v, self.captures[v.capture_id])
            for v in self.round.visits
            if v.state == "taken" and v.capture_id in self.captures
        ]


def settler(channel: Channel) -> Settler:
    return Settler(
        BUILT_IN[channel.quantity].tolerance,
        resolution=channel.resolution,
        quantity=channel.quantity,
        preset="bench",
    )


def play(seed: int, equal: float = EQUAL) -> Played:
    """Walk one round from beginning to end, or until nobody would wait any longer."""
    made = kitchen(seed, equal)
    ids = (f"c{n}" for n in itertools.count(1))
    taker = CaptureTaker(
        "kitchen",
        CHANNELS,
        settler,
        lambda quantity: BUILT_IN[quantity].tolerance,
        new_id=lambda: next(ids),
        timeout_s=900.0,
    )
    desk = Desk("kitchen", CHANNELS, taker)
    start = Stamp(1_790_000_000_000, 10**12)
    course = Course(Round("r1", "random", "", "kitchen", start.at_ms, made.stops))
    which = Which(course, CHANNELS, built_in_solutions(), made.expected, made.history)
    walk = Walk(
        course, which, Bench(CHANNELS, built_in_solutions()), taker, new_id=lambda: next(ids)
    )
    person = Person(seed, made.stops, made.glasses)
    probe = Probe(seed, room_c=made.room_c, bias=made.bias)
    perfect = Probe(seed, room_c=made.room_c, bias=Bias())
    played = Played(made, course.round, course.captures, [(None, 0.0, MOST_S)])
    waters = dict(made.glasses)
    t_s, wet, asked = 0.0, None, False
    stay_of: dict[str, int] = {}
    last: tuple[dict[str, float], dict[str, float]] = ({}, {})
    in_water = -1  # the last stay that was one
    while t_s < MOST_S and not walk.is_over:
        t_s += 1.0
        before, guidance = person.glass, walk.guidance()
        if guidance.question and not asked and guidance.position < len(made.stops):
            played.asked.append((made.stops[guidance.position].water, before or str(person.last)))
        asked = bool(guidance.question)
        answer = person.act(t_s, guidance)
        if person.glass != before:
            if person.glass is not None:
                wet = _carried(waters, wet, person.glass, made)
            water = None if person.glass is None else waters[person.glass]
            for one in (probe, perfect):
                one.move_to(water, t_s, poured_s=0.0 if water is not None else None)
            glass, since, _ = played.stays[-1]
            played.stays[-1] = (glass, since, t_s)
            played.stays.append((person.glass, t_s, MOST_S))
        if person.glass is not None:
            last, in_water = (perfect.truth(t_s), probe.truth(t_s)), len(played.stays)
        for capture_id, stay in stay_of.items():
            if stay == in_water:
                played.truths[capture_id], played.meant[capture_id] = last
        stamp = Stamp(start.at_ms + int(t_s * 1e3), int(t_s * 1e9))
        if answer is not None:
            with suppress(ValueError):  # it was over by then
                walk.answer(answer, stamp)
        shown = probe.display(t_s)
        values = {
            c.quantity: float(shown[c.quantity])
            for c in CHANNELS
            if isinstance(shown[c.quantity], int | float)
        }
        for news in desk.update(Reading("kitchen", stamp, values)):
            if isinstance(news, Capture):
                named = walk.named(news)
                if named.id not in stay_of:
                    stay_of[named.id] = in_water
                    played.truths[named.id], played.meant[named.id] = last
                walk.hear(named)
                played.captures[named.id] = course.captures.get(named.id, named)
        status = desk.status()
        if status is not None:
            walk.see(status)
    return replace(
        played,
        round=course.round,
        captures={**played.captures, **course.captures},
        mistakes=person.mistakes,
        took_s=t_s,
        is_over=walk.is_over,
    )


def _carried(waters: dict[str, Water], wet: str | None, into: str, made: Kitchen) -> str:
    """Drops of the last water come along into the next glass, and stay in it."""
    if wet is not None and wet != into:
        strong, water = waters[wet].ec_25_us_cm, waters[into]
        ec = water.ec_25_us_cm + made.drop_share * (strong - water.ec_25_us_cm)
        waters[into] = water.model_copy(update={"ec_25_us_cm": ec})
    return into
