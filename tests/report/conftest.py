"""Rounds as the desk takes them from a simulated probe, by a clock that the fixture moves.

Nothing here is an invented reading: a hand puts the simulated probe into waters of the household,
the desk sees the display once a second, and what it says goes into a store as the daemon would put
it there.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from acquire import config
from acquire.bench.check import check_capture
from acquire.bench.desk import Desk
from acquire.bench.taker import CaptureTaker
from acquire.readings import Capture, CaptureState, Event, Flag, Reading, Role, Stamp
from acquire.registry import driver_class
from acquire.rounds import ParticleCount, Round, Stop, Visit
from acquire.store.check_rows import check_row
from acquire.store.ledger import Ledger
from acquire.store.records import Records
from acquire.store.rows import capture_rows, event_row, meter_rows, reading_rows
from acquire.water.solutions import built_in_solutions
from simulators.hand import Script
from simulators.hand import Stop as Place
from simulators.probe import Probe
from simulators.waters import HOUSEHOLD, load_waters

START_MS = 1_790_000_000_000
DAY_MS = 86_400_000
BOTTLE = "buffer-7.00"
TAP = "kitchen <tap> & jug"
FILTER = "=carbon filter"

STOPS = (
    (Stop("check", "buffer 7", Role.SOLUTION, BOTTLE), "buffer_7", 300),
    (Stop("rinse", "rinse", Role.RINSE, least_s=40), "distilled", 75),
    (Stop("water", "reverse osmosis", Role.REFERENCE), "reverse_osmosis", 480),
    (Stop("water", TAP, Role.SUBJECT), "tap", 420),
    (Stop("water", FILTER, Role.SUBJECT), "filtered_tap", 1100),
    (Stop("check", "buffer 7", Role.SOLUTION, BOTTLE, is_closing=True), "buffer_7", 420),
)


@dataclass(frozen=True)
class Taken:
    """A store that was filled, and what is in it."""

    path: Path
    rounds: tuple[Round, ...]
    counts: tuple[ParticleCount, ...]

    @property
    def round(self) -> Round:
        return self.rounds[-1]


def channels():
    meter = config.meter("kitchen", {"profile": "labelled", "port": "/dev/null"})
    return driver_class(meter.driver)(meter.settings, meter="kitchen", clock=None).channels


def desk(stops, new_id, corrections=None):
    settings = config.load(None)
    mine = channels()
    taker = CaptureTaker(
        "kitchen",
        mine,
        settings.settler,
        settings.tolerance,
        new_id=new_id,
        timeout_s=900.0,
        stops=stops,
    )
    return Desk("kitchen", mine, taker, corrections)


def visit(seed, begin: Stamp, new_id, stops=STOPS):
    """Walk the stops once; gives the readings and what the desk said, in order."""
    waters = load_waters(HOUSEHOLD)
    script = Script([Place(water=w, dwell_s=s, in_air_s=12) for _, w, s in stops])
    probe = Probe(seed)
    bench = desk([(stop.water, stop.role) for stop, *_ in stops], new_id)
    readings, said = [], []
    for second in range(int(script.length_s) + 20):
        t_s = float(second)
        for place in script.moves(t_s - 1.0, t_s):
            water = None if place.water is None else waters[place.water]
            probe.move_to(water, t_s, poured_s=place.poured_s)
        values, flags = {}, {}
        for name, shown in probe.display(t_s).items():
            if isinstance(shown, float | int):
                values[name] = float(shown)
            elif shown is not None:
                flags[name] = Flag.ERROR
        stamp = Stamp(begin.at_ms + second * 1000, begin.mono_ns + second * 10**9)
        reading = Reading("kitchen", stamp, values, flags)
        readings.append(reading)
        said += bench.update(reading)
    said += bench.interrupt(stamp, "the round was over")
    return readings, said


def visits_of(round_id, stops, said):
    """What the walk would have written down: each final capture at its stop."""
    finals = [i for i in said if isinstance(i, Capture) and i.state is not CaptureState.PROVISIONAL]
    finals = [i for i in finals if i.state is not CaptureState.WITHDRAWN]
    found, at = [], 0
    for position, (stop, *_) in enumerate(stops):
        if at < len(finals) and finals[at].water == stop.water:
            final = finals[at]
            at += 1
            odd = () if final.state is CaptureState.FINAL else ("lifted before it had settled",)
            found.append(
                Visit(round_id, position, 1, "taken", final.taken.at_ms, final.id, "", "", odd)
            )
        else:
            found.append(
                Visit(round_id, position, 1, "skipped", found[-1].at_ms, flags=("not captured",))
            )
    return tuple(found)


COUNTS = (
    ParticleCount(
        "p1", START_MS, "reverse osmosis", (0,) * 10, {}, 2, 1.8, 0.02, 50.0, 5.0, 324.0, 10.0,
        "field number 18, objective 10", Role.REFERENCE, "r3",
    ),
    ParticleCount(
        "p2", START_MS + 60_000, TAP, (1, 0, 2, 0, 1, 3, 0, 1, 0, 1),
        {"fibre": 4, "fragment": 5}, 1, 1.8, 0.02, 50.0, 5.0, 324.0, 10.0,
        "field number 18, objective 10", Role.SUBJECT, "r3", "=cmd|' /C secret'!A0",
    ),
)  # fmt: skip


@pytest.fixture(scope="session")
def filled(tmp_path_factory) -> Taken:
    """Three rounds of three months, every one through the desk."""
    path = tmp_path_factory.mktemp("report") / "water.db"
    ids = (f"c{number:07d}" for number in itertools.count(1))
    solutions, mine = built_in_solutions(), {c.quantity: c for c in channels()}
    ledger = Ledger(path, Stamp(START_MS, 10**12))
    ledger.commit([], [meter_rows("kitchen", ("text_lines", "labelled", "SN-4711"), list(mine.values()), {}, START_MS)])  # fmt: skip
    rounds = []
    for number in range(3):
        offset_s = number * 30 * 86_400
        begin = Stamp(START_MS + offset_s * 1000, 10**12 + offset_s * 10**9)
        readings, said = visit(f"report-{number}", begin, lambda: next(ids))
        kept = []
        for item in said:
            if isinstance(item, Event):
                kept.append(event_row(item))
                continue
            kept.append(capture_rows(item))
            if item.role is Role.SOLUTION and item.state is CaptureState.FINAL:
                kept += [check_row(c) for c in check_capture(item, solutions[BOTTLE], mine)]
        end_ms = readings[-1].stamp.at_ms
        refused = ledger.commit([reading_rows(reading) for reading in readings], kept)
        assert not any(refused), refused
        name = f"r{number + 1}"
        rounds.append(
            Round(
                id=name,
                plan="Sunday <b>kitchen</b>",
                plan_text='title = "secret lane 5"',
                meter="kitchen",
                began_ms=begin.at_ms,
                stops=tuple(stop for stop, *_ in STOPS),
                state="done",
                ended_ms=end_ms,
                visits=visits_of(name, STOPS, said),
                note="secret: the filter is from secret lane 5",
            )
        )
    last = rounds[-1]
    noted = (replace(last.visits[0], note="<script>alert('secret')</script>"), *last.visits[1:])
    rounds[-1] = replace(last, visits=noted)
    kept = [*rounds, *(one for each in rounds for one in each.visits), *COUNTS]
    refused = ledger.commit([], kept)
    assert not any(refused), refused
    ledger.close(Stamp(end_ms, 10**13))
    with Records.open(path) as opened:
        assert opened.rounds()[-1].visits == noted
    return Taken(path, tuple(rounds), COUNTS)


@pytest.fixture
def records(filled):
    with Records.open(filled.path) as opened:
        yield opened


@pytest.fixture
def settings():
    return config.load(None)
