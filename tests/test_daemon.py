"""The daemon as a whole, with a meter that can be scripted and a store that is real."""

from __future__ import annotations

import asyncio
import dataclasses
import resource
from itertools import pairwise

import pytest

from acquire import config, daemon, registry
from acquire.clock import SystemClock
from acquire.daemon import Daemon, LateOutlet
from acquire.readings import Capture, CaptureState, Event, Reading
from acquire.store.records import Records
from tests.pretend_meter import PretendMeter, PretendSettings


class Tub(PretendMeter):
    """A meter that goes from air into a water and rests there, one reading a second."""

    def conductivity(self, n):
        return 0.0 if n < 15 else 480.0 + n % 2


@pytest.fixture
def tub(monkeypatch, tmp_path):
    monkeypatch.setitem(registry.BUILT_IN_DRIVERS, "tub", f"{__name__}:Tub")
    monkeypatch.setattr(daemon, "driver_class", lambda _name: Tub)
    loaded = config.load(None)
    meters = [config.MeterConfig("kitchen", "tub", PretendSettings(driver="tub"))]
    return lambda clock=None, **more: Daemon(
        loaded, meters, clock or SystemClock(200.0), store=tmp_path / "water.db", **more
    )


async def until(condition):
    async with asyncio.timeout(20):
        while not condition():  # noqa: ASYNC110  (what it waits for sets no event)
            await asyncio.sleep(0.01)


async def test_a_capture_is_in_the_store_before_anyone_hears_of_it(tub, tmp_path):
    works = tub()
    seen = []

    async def listen(heard):
        async for said in heard:
            if isinstance(said, Capture):
                with Records.open(tmp_path / "water.db") as records:
                    seen.append((said, records.capture(said.id)))
                works.stop()

    listener = asyncio.create_task(listen(works.listen("test")))
    await works.run()
    await listener
    assert [said.state for said, _ in seen] == [CaptureState.PROVISIONAL, CaptureState.FINAL]
    assert all(kept is not None and kept.state is said.state for said, kept in seen)


async def test_an_outlet_that_fails_is_begun_again_and_costs_no_reading(tub, tmp_path):
    class Broken:
        name = "broken"
        runs = 0

        async def run(self, heard):
            self.runs += 1
            async for _ in heard:
                raise OSError("the broker is away")

    outlet = Broken()
    works = tub(SystemClock(20.0), outlets=[outlet])  # 5 s of it are 250 ms of a busy machine
    running = asyncio.create_task(works.run())
    await until(lambda: outlet.runs >= 3)
    works.stop()
    await running
    with Records.open(tmp_path / "water.db") as records:
        failed = list(records.events(kind="outlet_failed"))
        times = [reading.stamp.t_s for reading in records.readings()]
    assert len(failed) >= 2
    assert "the broker is away" in failed[0].text
    assert max(b - a for a, b in pairwise(times)) < 5


async def test_an_outlet_that_cannot_be_made_costs_no_reading_and_no_other_outlet(tub, tmp_path):
    """What it loads may be broken, long after the ports are open."""

    class Listens:
        name = "listens"
        readings = 0

        async def run(self, heard):
            async for said in heard:
                Listens.readings += isinstance(said, Reading)

    def broken():
        raise ImportError("no such library")

    outlets = [LateOutlet("broken", broken), LateOutlet("listens", Listens)]
    works = tub(outlets=outlets)
    running = asyncio.create_task(works.run())
    await until(lambda: Listens.readings >= 3)
    works.stop()
    await running
    with Records.open(tmp_path / "water.db") as records:
        (failed,) = records.events(kind="outlet_failed")
    assert failed.text == "broken: ImportError: no such library"


async def test_an_outlet_that_hangs_neither_stops_readings_nor_the_stop(tub, tmp_path):
    class Hangs:
        name = "hangs"

        async def run(self, heard):
            await asyncio.Event().wait()

    works = tub(outlets=[Hangs()])
    running = asyncio.create_task(works.run())
    count = 0

    async def listen(heard):
        nonlocal count
        async for said in heard:
            count += isinstance(said, Reading)

    listener = asyncio.create_task(listen(works.listen("test")))
    await until(lambda: count >= 50)
    works.stop()
    await asyncio.wait_for(running, 2.0)
    await listener
    with Records.open(tmp_path / "water.db") as records:
        assert len(list(records.readings())) >= 50


async def test_a_store_that_fails_stops_the_daemon_loudly(tub, monkeypatch):
    works = tub()
    running = asyncio.create_task(works.run())
    await until(lambda: works._keeping.writer is not None)

    async def fails(_reading):
        raise OSError("no space left")

    monkeypatch.setattr(works._keeping.writer, "add", fails)
    with pytest.raises(ExceptionGroup) as caught:
        await asyncio.wait_for(running, 5)
    assert caught.group_contains(OSError, match="no space left")


async def test_a_clock_that_is_set_is_noticed_and_kept(tub, tmp_path):
    class Stepped(SystemClock):
        step_ms = 0

        def now(self):
            stamp = super().now()
            return dataclasses.replace(stamp, at_ms=stamp.at_ms + self.step_ms)

    clock = Stepped(200.0)
    works = tub(clock)
    running = asyncio.create_task(works.run())
    await until(lambda: works._keeping.writer is not None)
    await asyncio.sleep(0.03)
    clock.step_ms = -3_600_000
    await asyncio.sleep(0.05)
    works.stop()
    await running
    with Records.open(tmp_path / "water.db") as records:
        (event,) = records.events(kind="clock_step")
    assert isinstance(event, Event)
    assert event.data["step_s"] == pytest.approx(-3600, abs=2)


async def test_a_disk_that_has_room_again_in_time_ends_nothing_and_costs_no_reading(tub, tmp_path):
    works = tub()
    file = tmp_path / "water.db"
    read, after = [], []
    was_full = asyncio.Event()

    async def listen(heard):
        async for said in heard:
            if isinstance(said, Reading):
                read.append(said.stamp.at_ms)
                if was_full.is_set():
                    after.append(said)

    listener = asyncio.create_task(listen(works.listen("test")))
    running = asyncio.create_task(works.run())
    await until(lambda: len(read) > 5)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    log = file.with_name("water.db-wal")
    resource.setrlimit(resource.RLIMIT_FSIZE, (log.stat().st_size, hard))  # stands in for "full"
    try:
        await until(lambda: works._keeping.writer.stats.failures > 0)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    was_full.set()
    await until(lambda: len(after) > 5)
    works.stop()
    await running
    await listener
    with Records.open(file) as records:
        assert [one.stamp.at_ms for one in records.readings()] == read


async def test_an_order_names_the_water_of_the_immersion(tub, tmp_path):
    works = tub()
    captures = []

    async def listen(heard):
        async for said in heard:
            if isinstance(said, Capture):
                captures.append(said)
                works.stop()

    listener = asyncio.create_task(listen(works.listen("test")))
    running = asyncio.create_task(works.run())
    await until(lambda: "kitchen" in works._bench.desks)
    assert await works.order("water", "", "garden well") == "kitchen: the water is garden well"
    for word, meter, water, says in [
        ("water", "attic", "x", "no meter 'attic'; there are: kitchen"),
        ("water", "kitchen", "", "name the water"),
        ("boil", "kitchen", "", "no such order"),
    ]:
        with pytest.raises(ValueError, match=says):
            await works.order(word, meter, water)
    await running
    await listener
    assert {capture.water for capture in captures} == {"garden well"}


async def test_an_order_leaves_out_the_water_to_come_or_all_of_them(tub):
    works = tub(stops=[("rinse", None), ("tap", None), ("well", None)])
    running = asyncio.create_task(works.run())
    await until(lambda: "kitchen" in works._bench.desks)
    assert await works.order("skip", "kitchen", "") == "kitchen: left out rinse"
    assert await works.order("stop", "kitchen", "") == "kitchen: no water is named any more"
    assert await works.order("skip", "kitchen", "") == "kitchen: nothing to skip"
    works.stop()
    await running
