"""The watch inside the daemon: draws and requests reach store and listeners."""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import math
from collections.abc import AsyncIterator
from pathlib import Path
from typing import ClassVar

import pytest
from pydantic import BaseModel

from acquire import config, daemon, registry
from acquire.asking import ask, asked
from acquire.bench.standing import Status
from acquire.clock import Clock, SystemClock
from acquire.daemon import Daemon
from acquire.installation import WatchConfig
from acquire.readings import Channel, Event, Reading
from acquire.store.records import Records
from acquire.store.writer import StoreWriter
from acquire.watch.kept import Alert, Cleared, Replaced
from acquire.watching import Point


class LineSettings(BaseModel):
    driver: str


class Line:
    """A probe behind a filter: every four minutes a draw of two, its first water high."""

    Settings: ClassVar[type[BaseModel]] = LineSettings
    channels = (Channel("conductivity", 0.1, reference_c=25.0), Channel("temperature", 0.1))
    identity = "line-1"
    bad_frames = 0

    def __init__(self, settings: LineSettings, *, meter: str, clock: Clock) -> None:
        self.meter, self.clock = meter, clock

    @contextlib.asynccontextmanager
    async def open(self) -> AsyncIterator[AsyncIterator[Reading]]:
        yield self._readings()

    async def _readings(self) -> AsyncIterator[Reading]:
        begun = self.clock.now().t_s
        while True:
            await self.clock.sleep(4.0)
            s = (self.clock.now().t_s - begun) % 240 - 60
            ec = 20.0 * (2.5 if s < 0 or s > 130 else 1 + 2 * math.exp(-s / 10))
            values = {"conductivity": round(ec, 1), "temperature": 14.0}
            yield Reading(self.meter, self.clock.now(), values)


@pytest.fixture
def works(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Daemon:
    monkeypatch.setitem(registry.BUILT_IN_DRIVERS, "line", f"{__name__}:Line")
    monkeypatch.setattr(daemon, "driver_class", lambda _name: Line)
    loaded = config.load(None)
    watch = WatchConfig(product="product", feed_us_cm=400.0, least_rejection_percent=80.0)
    whole = dataclasses.replace(loaded, watches={"sink": watch})
    meters = [config.MeterConfig("product", "line", LineSettings(driver="line"))]
    return Daemon(whole, meters, SystemClock(600.0), store=tmp_path / "water.db")


async def until(works: Daemon, kind: str) -> list[Event]:
    """Run until an event of that kind was said; gives all that were."""
    heard: list[Event] = []
    listener = works.listen("test")

    async def listen() -> None:
        async for said in listener:
            if isinstance(said, Event):
                heard.append(said)
                if said.kind == kind:
                    works.stop()

    task = asyncio.create_task(listen())
    async with asyncio.timeout(15):
        await works.run()
        await task
    return heard


async def test_draws_are_kept_and_a_change_that_is_asked_for_is_done(
    works: Daemon, tmp_path: Path
) -> None:
    store = tmp_path / "water.db"

    async def change_later() -> None:
        await asyncio.sleep(0.04)
        while True:
            if store.exists():
                with contextlib.suppress(Exception), Records.open(store) as records:
                    # A busy machine may miss the first readings of a draw: wait for a whole one.
                    if any(one.passage and one.passage < 0.1 for one in records.draws("sink")):
                        break
            await asyncio.sleep(0.03)
        ask(store, {"watch": "cellar", "part": "cartridge"})  # nobody's: left alone
        ask(store, {"watch": "sink", "part": "cartridge"})

    asking = asyncio.create_task(change_later())
    heard = await until(works, "watch_changed")
    await asking
    (changed,) = [event for event in heard if event.kind == "watch_changed"]
    assert changed.data == {"watch": "sink", "part": "cartridge"}
    with Records.open(store) as records:
        kept = records.draws("sink")
        assert [one.part for one in records.replaced("sink")] == ["cartridge"]
    assert min(one.passage or 1 for one in kept) == pytest.approx(0.05, rel=0.1)
    assert [said for _, said in asked(store)] == [{"watch": "cellar", "part": "cartridge"}]


async def test_a_change_said_by_mistake_is_taken_back_and_its_alerts_hold_again(
    works: Daemon, tmp_path: Path
) -> None:
    store = tmp_path / "water.db"
    clock = SystemClock(600.0)
    async with await StoreWriter.open(store, clock=clock) as writer:
        now = clock.now().at_ms - 1000
        await writer.keep(Alert("a1", "sink", "exhausted", now - 5000, "spent"))
        await writer.keep(Replaced("sink", "cartridge", now))
        await writer.keep(Cleared("a1", now, "cartridge changed"))
    ask(store, {"watch": "sink", "part": "cartridge", "undo": "true"})
    heard = await until(works, "watch_restored")
    assert heard[-1].data == {"watch": "sink", "part": "cartridge"}
    with Records.open(store) as records:
        assert records.replaced("sink") == []
        assert [one.id for one in records.alerts(watch="sink") if one.is_open] == ["a1"]
    assert not asked(store)


@pytest.mark.parametrize("captures", [True, False])
async def test_a_watch_can_keep_the_bench_off_its_meters(
    works: Daemon, tmp_path: Path, captures: bool
) -> None:
    watch = WatchConfig(
        product="product", feed_us_cm=400.0, least_rejection_percent=80.0, captures=captures
    )
    whole = dataclasses.replace(config.load(None), watches={"sink": watch})
    meters = [config.MeterConfig("product", "line", LineSettings(driver="line"))]
    serves = Daemon(whole, meters, SystemClock(600.0), store=tmp_path / "water.db", keeps_on=True)
    listener, statuses = serves.listen("test"), 0

    async def listen() -> None:
        nonlocal statuses
        async for said in listener:
            statuses += isinstance(said, Status)
            if isinstance(said, Reading) and said.stamp.t_s - began > 700:
                serves.stop()

    began = serves._clock.now().t_s
    task = asyncio.create_task(listen())
    async with asyncio.timeout(15):
        await serves.run()
        await task
    with Records.open(tmp_path / "water.db") as records:
        assert bool(list(records.captures())) is captures
        assert records.draws("sink")
    assert bool(statuses) is captures
    if not captures:
        with pytest.raises(ValueError, match="captures = false"):
            await serves.order("water", "product", "tap")


async def test_a_fault_in_the_watch_costs_no_reading(
    works: Daemon, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def breaks(_self: Point, _reading: Reading) -> list[object]:
        raise ZeroDivisionError("oh")

    monkeypatch.setattr(Point, "update", breaks)
    heard = await until(works, "watch_failed")
    (failed,) = [event for event in heard if event.kind == "watch_failed"]
    assert "ZeroDivisionError" in failed.text
    with Records.open(tmp_path / "water.db") as records:
        assert list(records.readings())
