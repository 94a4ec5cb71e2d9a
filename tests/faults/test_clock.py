"""A wall clock that jumps, and a machine that starts without knowing the time."""

from __future__ import annotations

import asyncio
import random

import pytest

from acquire import config
from acquire.daemon import Daemon
from acquire.readings import Reading, Stamp
from acquire.store import Records
from acquire.store.ledger import Ledger
from acquire.store.rows import reading_rows
from drivers.line import line_opener
from simulators.hand import Script, Stop
from simulators.run import Rig
from simulators.speech import find_dialect, speak
from simulators.waters import load_waters
from tests.faults.soak.swift import SwiftClock
from tests.faults.soak.wire import MemoryPort, opener

HAND = Script(
    [
        Stop(water="buffer_7", dwell_s=400, in_air_s=30),
        Stop(water="reverse_osmosis", dwell_s=500, in_air_s=30),
        Stop(water="tap", dwell_s=600, in_air_s=30),
    ]
)
PORT = "tcp://127.0.0.1:1"


async def morning(store, steps, *, at_ms=1_790_000_000_000):
    """Three waters in simulated time; `steps` says after how many seconds the clock is set by how
    much."""
    asyncio.get_running_loop().set_debug(False)
    clock, port = SwiftClock(at_ms), MemoryPort()
    line_opener.set(opener({PORT: port}))
    settings = config.load(None)
    meter = config.meter("bench", {"profile": "labelled", "port": PORT})
    works = Daemon(settings, [meter], clock, store=store)
    is_open = asyncio.Event()

    async def opened():
        is_open.set()

    running = asyncio.create_task(works.run(opened))
    await is_open.wait()
    rig = Rig.drawn("clock", HAND, load_waters(), start_s=clock.t_s)

    async def set_clock():
        begun_s = clock.t_s
        for after_s, by_s in steps:
            await clock.sleep(begun_s + after_s - clock.t_s)
            clock.step_wall(by_s)

    talk = speak(port, find_dialect("labelled"), lambda: rig.display(clock.t_s), clock=clock)
    others = [asyncio.create_task(one) for one in (talk, rig.follow(clock), set_clock())]
    ending = asyncio.create_task(clock.sleep(HAND.length_s + 60))
    running_clock = asyncio.create_task(clock.run())
    await ending
    works.stop()
    await running
    for task in (*others, running_clock):
        task.cancel()
    await asyncio.gather(*others, running_clock, return_exceptions=True)
    with Records.open(store) as records:
        assert records.check() == ""
        captures = [
            (one.started.mono_ns, one.taken.mono_ns, str(one.state), sorted(one.values.items()))
            for one in records.captures()
        ]
        said = [one.stamp.mono_ns for one in records.readings()]
        return sorted(captures, key=str), sorted(said), list(records.events(kind="clock_step"))


@pytest.mark.parametrize("by_s", [3600, -3600])
async def test_a_clock_set_by_an_hour_changes_no_capture_and_loses_no_reading(tmp_path, by_s):
    chance = random.Random(by_s)
    steps = [(chance.uniform(40, 1500), by_s)]
    plain, said_plain, none = await morning(tmp_path / "a.db", [])
    stepped, said, events = await morning(tmp_path / "b.db", steps)
    assert none == []
    assert [round(one.data["step_s"]) for one in events] == [by_s]
    assert len(plain) >= 3
    assert stepped == plain  # to the digit: only monotonic time decides
    assert len(said) == len(said_plain)
    # The store reckons monotonic time back from the wall time: right to 20 ms (docs/store.md).
    assert max(abs(a - b) for a, b in zip(said, said_plain, strict=True)) <= 20_000_000


async def test_a_machine_that_starts_in_1970_and_learns_the_time_later_loses_nothing(tmp_path):
    store = tmp_path / "water.db"
    before_ms = 1_790_000_000_000 - 3 * 86_400_000
    ledger = Ledger(store, Stamp(before_ms, 10**9))
    for n in range(0, 3 * 86_400, 600):
        stamp = Stamp(before_ms + n * 1000, 10**9 + n * 10**9)
        ledger.commit([reading_rows(Reading("bench", stamp, {"ph": 7.0}))])
    ledger.close(Stamp(before_ms + 3 * 86_400_000, 10**15))
    away_s = 1_790_000_000
    captures, said, events = await morning(store, [(700, away_s)], at_ms=42_000)
    assert [one.data["step_s"] for one in events] == [pytest.approx(away_s, abs=1)]
    assert len(captures) >= 3
    with Records.open(store) as records:
        old = [one for one in records.readings() if one.stamp.at_ms < before_ms + 3 * 86_400_000]
        first_day = [one for one in old if one.stamp.at_ms < 86_400_000]
    assert len(old) - len(first_day) == 3 * 144  # a jump of fifty-six years expired nothing
    assert len(first_day) >= 600
    assert len(said) >= 3 * 144 + 1500
