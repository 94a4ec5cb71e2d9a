"""Runs meters: supervises them, records, takes captures, tells whoever listens.

    supervise ── Reading/Event ──► bus ──┬─ recorder ── store
                                         ├─ bench ── Capture ── store, then ──► bus ("said")
                                         └─ listeners (terminal, later page and broker)

Listeners hear of a capture only after it is durable. One task group holds everything; a store that
fails stops the daemon, a listener that fails does not.
"""

from __future__ import annotations

import asyncio
import logging
import secrets
import signal
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from acquire.asking import asked
from acquire.bench.desk import Desk
from acquire.bench.findings import Findings
from acquire.bench.standing import Said
from acquire.bench.taker import CaptureTaker
from acquire.bench.typed import Entry, typed_capture
from acquire.bus import Bus, Policy, Subscription
from acquire.checks import StandingCorrection, in_force
from acquire.clock import Clock
from acquire.config import Config, MeterConfig
from acquire.errors import ConfigError, OuzelError, StoreDamaged, StoreStalled
from acquire.meter import Driver, supervise
from acquire.progress import Progress
from acquire.readings import Capture, CaptureState, Event, Reading, Role, Stamp
from acquire.registry import driver_class
from acquire.rounds import COUNT_RESTORED, COUNT_WITHDRAWN, ParticleCount
from acquire.store.aside import set_aside
from acquire.store.records import Records
from acquire.store.rollups import Retention
from acquire.store.writer import StoreWriter
from acquire.walking import ORDERS as ROUND_ORDERS
from acquire.walking import BenchOf, Walking, guidance_event
from acquire.works.hosting import Hosting, House, LateOutlet, Outlet, Typed

if TYPE_CHECKING:
    from acquire.bench.walk import WalkNews
    from acquire.watching import Point, WatchNews

__all__ = [
    "Daemon",
    "LateOutlet",
    "Outlet",
    "Said",
    "Stopped",
    "Typed",
    "new_id",
    "stop_on_signals",
]

_log = logging.getLogger(__name__)

T = TypeVar("T")

_EXPLAINED = {CaptureState.PROVISIONAL, CaptureState.UNSETTLED}
CLOCK_STEP_S = 0.5
"""Wall time that departs this far from monotonic time between two looks was stepped."""


PATIENCE_S = 10.0
"""How long a disk that takes nothing is borne while a person waits for it."""
KEEPS_ON_S = 3600.0
"""The same of a daemon: a full disk is found in the evening, and readings held cost little."""
LOOK_S = 1.0
"""How often it is looked at the clock, and for what other commands ask."""
STANDS_S = 60.0
"""Real seconds after which a part that should move counts as standing still."""


class Stopped(Exception):
    """Ends the task group cleanly."""


class Daemon:
    """One configuration at work: `listen`, then `run`; `stop` from anywhere in the loop."""

    def __init__(
        self,
        config: Config,
        meters: Sequence[MeterConfig],
        clock: Clock,
        *,
        store: Path | None,
        stops: Sequence[tuple[str, Role | None]] = (),
        closing: str = "the program was stopped",
        outlets: Sequence[Outlet | LateOutlet] = (),
        keeps_on: bool = False,
        round_: tuple[str, bool] | None = None,
    ) -> None:
        """`keeps_on` is for a daemon that nobody stands beside: it bears a disk that takes nothing
        for `KEEPS_ON_S`, and puts a damaged store aside for a new one. `round_` begins a round with
        the first meter heard: a plan, and whether an interrupted one of it goes on.
        """
        self._keeps_on = keeps_on
        # Who asks for one capture gets it, also of a meter that stands in a line.
        self._off_bench = config.off_bench if keeps_on else frozenset()
        self._config = config
        self._clock = clock
        self._store_path = store
        self._stops = stops
        self._closing = closing
        self._outlets = outlets
        self._said: Bus[Said] = Bus()
        self._read: Bus[Reading | Event] = Bus()
        self._drivers = {m.name: _make_driver(m, clock) for m in meters}
        self._meters = {m.name: m for m in meters}
        self._desks: dict[str, Desk] = {}
        self._corrections: list[StandingCorrection] = []
        self._points: list[Point] = []
        self._writer: StoreWriter | None = None
        self._stalled_s = 0.0
        self._telling: set[asyncio.Task[None]] = set()
        self._stop = asyncio.Event()
        self._progress = Progress()
        self._walking = Walking(config, store, new_id)
        self._begin_with = round_
        self.loop: asyncio.AbstractEventLoop | None = None
        """The one it runs in, for orders from another thread; None before."""

    def listen(
        self, name: str, *, size: int = 1024, only: tuple[type, ...] = (object,)
    ) -> Subscription[Said]:
        """Hear everything from now on, or `only` things of these types.

        What a slow listener leaves is dropped and counted.
        """
        return self._said.subscribe(name, size=size, policy=Policy.DROP_OLDEST, only=only)

    def stop(self) -> None:
        self._stop.set()

    async def run(self, ready: Callable[[], Awaitable[None]] | None = None) -> None:
        """Work until `stop`; returns once everything taken is durable and said."""
        self.loop = asyncio.get_running_loop()
        async with self._open_store(), asyncio.TaskGroup() as group:
            outlets = Hosting(self._outlets, self._house())
            # The bench is outside the group that a stop cancels: it ends by itself, after what has
            # been read, so that a stop never falls between a capture and its keeping.
            queue = self._read.subscribe("bench", size=256, policy=Policy.WAIT)
            group.create_task(self._work(queue), name="bench")
            outlets.begin(group)
            await self._read_until_stop(ready)
            await self._read.close()
            await outlets.end()

    def _house(self) -> House:
        return House(
            self.listen,
            lambda: self._writer,
            self._read.publish,
            self.note,
            self.order,
            self.typed,
            self,
            self._progress,
            self._clock,
        )

    async def _read_until_stop(self, ready: Callable[[], Awaitable[None]] | None) -> None:
        try:
            async with asyncio.TaskGroup() as group:
                for name, driver in self._drivers.items():
                    group.create_task(self._supervise(name, driver), name=f"meter {name}")
                group.create_task(self._look_round(), name="clock and requests")
                group.create_task(self._wait_for_stop(), name="stop")
                if ready is not None:
                    await ready()
        except* Stopped:
            pass

    @asynccontextmanager
    async def _open_store(self) -> AsyncIterator[None]:
        if self._store_path is None:
            yield
            return
        try:
            opened, anew = await self._open_writer(self._store_path), None
        except StoreDamaged as damage:
            if not self._keeps_on:
                raise
            now = self._clock.now()
            aside = set_aside(self._store_path, now.at_ms, damage)
            opened = await self._open_writer(self._store_path)
            text = (
                f"{self._store_path.name} is damaged and was put aside whole as {aside.name}; a "
                "new store was begun. Captures, checks and corrections made before are in the old "
                "one"
            )
            _log.error("%s. Found: %s", text, damage)
            anew = Event("store_set_aside", now, "", text, {"aside": aside.name})
        async with opened as writer:
            self._writer = writer
            writer.on_stall = self._on_stall
            if anew is not None:
                await self._keep(anew)
            await self._look_back(self._store_path)
            try:
                yield
            finally:
                self._writer = None
                for task in self._telling:
                    task.cancel()

    async def _open_writer(self, path: Path) -> StoreWriter:
        store = self._config.store
        return await StoreWriter.open(
            path,
            clock=self._clock,
            commit_every_s=store.commit_every_s,
            patience_s=KEEPS_ON_S if self._keeps_on else PATIENCE_S,
            retention=Retention(store.raw_days, store.minute_days),
        )

    def _on_stall(self, failure: StoreStalled | None) -> None:
        """Say at once that nothing can be written, which itself cannot be written; and the end."""
        now = self._clock.now()
        if failure is not None:
            self._stalled_s = now.t_s
            _log.error("%s. Readings are held and tried again every second", failure)
            said = self._said.publish(Event("store_stalled", now, "", str(failure)))
        else:
            took_s = round(now.t_s - self._stalled_s, 1)
            text = f"the store takes readings again after {took_s:g} s; those held are in it"
            _log.warning("%s", text)
            event = Event("store_back", now, "", text, {"stalled_s": took_s})
            said = self._read.publish(event)
        task = asyncio.create_task(said, name="store stall")
        self._telling.add(task)
        task.add_done_callback(self._telling.discard)

    async def _look_back(self, path: Path) -> None:
        """Find the corrections in force, and make final what a crash left provisional.

        Nobody else ever would; and nobody else can write a correction while the store is ours.
        """
        with Records.open(path) as records:
            self._corrections = records.corrections()
            left = list(records.captures(state=CaptureState.PROVISIONAL))
            if self._config.watches:
                from acquire.watching import resumed  # noqa: PLC0415 - not where nothing is watched

                self._points = resumed(
                    self._config.watches,
                    records,
                    new_id=new_id,
                    check_every_days={m.name: m.check_every_days for m in self._meters.values()},
                )
        for capture in left:
            why = "the program ended while the probe was in the water"
            await self._writer_keep(replace(capture, state=CaptureState.FINAL, reason=why))
            await self._keep(
                Event(
                    "closed_late",
                    self._clock.now(),
                    capture.meter,
                    f"capture {capture.id} was left open by a crash and is final now",
                    {"capture": capture.id},
                )
            )

    def _unit(self, quantity: str) -> str:
        return self._config.quantities[quantity].unit

    async def _supervise(self, name: str, driver: Driver) -> None:
        part, silence_s = f"meter {name}", self._meters[name].silence_s
        self._progress.expect(part, silence_s + STANDS_S)

        async def publish(item: Reading | Event) -> None:
            await self._read.publish(item)
            if isinstance(item, Event) and item.kind == "meter_over":
                self._progress.rest(part)

        await supervise(
            driver,
            meter=name,
            clock=self._clock,
            publish=publish,
            silence_s=silence_s,
            tried=lambda: self._progress.beat(part),
        )

    async def _wait_for_stop(self) -> None:
        await self._stop.wait()
        if self._writer is not None:
            self._writer.hurry()
        raise Stopped

    async def _look_round(self) -> None:
        """What nobody would tell us: that the clock was set, that another command asks."""
        last = self._clock.now()
        while True:
            if self._store_path is not None:
                await self._take_requests(self._store_path)
            await self._clock.sleep(LOOK_S)
            now = self._clock.now()
            await self._compare_clocks(last, now)
            last = now

    async def _compare_clocks(self, last: Stamp, now: Stamp) -> None:
        """Notice wall time that jumps: set by hand, by the network, or found after a cold start."""
        step_s = (now.at_ms - last.at_ms) * 1e-3 - (now.t_s - last.t_s)
        if abs(step_s) > CLOCK_STEP_S:
            text = f"the clock was set {step_s:+.1f} s"
            await self._read.publish(
                Event("clock_step", now, "", text, {"step_s": round(step_s, 3)})
            )

    async def _work(self, queue: Subscription[Reading | Event]) -> None:
        self._progress.expect("bench", STANDS_S)
        self._progress.rest("bench")
        async for item in queue:
            self._progress.beat("bench")
            await self._handle(item)
            self._progress.rest("bench")
        await self._close_captures()
        await self._said.close()

    async def _handle(self, item: Reading | Event) -> None:
        """Record one thing, then let the bench look at it, then tell the listeners."""
        if isinstance(item, Event):
            await self._keep(item)
            desk = self._desks.get(item.meter)
            if item.kind in {"meter_lost", "meter_over"} and desk is not None:
                await self._interrupt(item.meter, desk, item.stamp, "the meter was lost")
            return
        desk = self._desks.get(item.meter)
        if desk is None:
            desk = await self._meet(item.meter)
            if self._begin_with is not None:
                wanted, resume = self._begin_with
                self._begin_with = None
                await self._begin_round(item.meter, desk, wanted, resume, is_ours=True)
        if self._writer is not None:
            await self._writer.add(item)
        await self._said.publish(item)
        for told in () if item.meter in self._off_bench else desk.update(item):
            news = await self._keep_named(item.meter, told)
            if isinstance(news, Capture) and news.state in _EXPLAINED:
                await self._said.publish(desk.explain(news))
            if isinstance(news, Capture):
                for point in self._points:
                    point.see(news)
        for point in tuple(self._points):
            await self._keep_all(await self._watched(point, item))
        status = desk.status()
        if status is not None:
            await self._said.publish(status)
            await self._walked(item.meter, partial(self._walking.see, status))

    async def _interrupt(self, meter: str, desk: Desk, stamp: Stamp, why: str) -> None:
        for told in desk.interrupt(stamp, why):
            await self._keep_named(meter, told)

    async def _keep_named(self, meter: str, told: Capture | Event) -> Capture | Event:
        """Keep what the bench gives by the name a round has for it, and let the round hear it."""
        news = self._walking.named(told)
        await self._keep(news)
        await self._walked(meter, partial(self._walking.hear, news))
        return news

    async def _walked(self, meter: str, step: Callable[[], Sequence[WalkNews]]) -> None:
        """Let the round under way take a step, keep what it gives, say what to do next."""
        try:
            news = step()
        except Exception as error:  # noqa: BLE001  (a fault in it must not cost readings)
            self._walking.drop(meter)
            text = f"the round goes on no longer: {type(error).__name__}: {error}; resume it"
            await self._keep(Event("round_failed", self._clock.now(), meter, text))
            return
        await self._keep_walked(meter, news)

    async def _keep_walked(self, meter: str, news: Sequence[WalkNews]) -> None:
        await self._keep_all(news)
        guidance = self._walking.guidance(meter)
        if guidance is not None:
            # Kept as well, for a command in another process that follows the round in the store.
            await self._writer_keep(guidance_event(guidance, self._clock.now()))
            await self._said.publish(guidance)

    async def _keep_all(self, news: Sequence[WalkNews | WatchNews]) -> None:
        """Keep each; captures and events are announced, the rest is for the store alone."""
        for item in news:
            if isinstance(item, Event | Capture):
                await self._keep(item)
            elif self._writer is not None:
                await self._writer.keep(item)

    async def _keep(self, item: Capture | Event) -> None:
        """Durable first, announced second."""
        await self._writer_keep(item)
        await self._said.publish(item)

    async def _watched(self, point: Point, item: Reading) -> Sequence[WatchNews]:
        try:
            return point.update(item)
        except Exception as error:  # noqa: BLE001  (a fault in it must not cost readings)
            self._points.remove(point)
            text = f"{point.name} is watched no longer: {type(error).__name__}: {error}"
            await self._keep(Event("watch_failed", item.stamp, item.meter, text))
            return ()

    async def _take_requests(self, store: Path) -> None:
        """Do what other commands ask of the one process that writes."""
        for note, said in asked(store):
            if "round" in said or "keep" in said:
                note.unlink(missing_ok=True)  # answered by an event, once
                await self._answer(said)
                continue
            for point in self._points:
                if said.get("alert"):
                    news = point.acknowledge(said["alert"], self._clock.now())
                elif said.get("watch") == point.name and said.get("undo"):
                    changes = self._past(partial(Records.replaced, watch=point.name))
                    news = point.restore(said.get("part", ""), changes, self._clock.now())
                elif said.get("watch") == point.name:
                    news = point.change(said.get("part", "cartridge")[:40], self._clock.now())
                else:
                    continue
                if news:
                    await self._keep_all(news)
                    if said.get("undo"):
                        self._past(point.resume)
                    note.unlink(missing_ok=True)  # durable now: whoever asked may go

    def _past(self, ask: Callable[[Records], T]) -> T:
        assert self._store_path is not None  # noqa: S101 - only asked for with a store
        with Records.open(self._store_path) as records:
            return ask(records)

    async def _answer(self, said: Mapping[str, str]) -> None:
        """Do for another process what it asks; the answer is an event, with the word it gave."""
        meter = said.get("meter", "")
        try:
            if "keep" in said:
                from acquire.errands import carry_out  # noqa: PLC0415

                with Records.open(self._store_path or Path()) as records:
                    done = await carry_out(said, self, records)
            else:
                done = await self.order(said["round"], meter, said.get("text", ""), is_ours=True)
            ok = True
        except (ValueError, OuzelError) as error:
            done, ok = str(error), False
        data: dict[str, float | str] = {"ask": said.get("ask", ""), "ok": str(ok)}
        await self._keep(Event("order", self._clock.now(), meter, done, data))

    async def _writer_keep(self, item: Capture | Event) -> None:
        if self._writer is not None:
            await self._writer.keep(item)

    async def order(self, word: str, meter: str, water: str, *, is_ours: bool = False) -> str:
        """Do what somebody outside asks for; gives what was done.

        `water` names the water met now or next, `skip` leaves out the one to come, `stop` all of
        them, `capture` takes another of the water the probe is in. `round` begins the round of the
        plan named in `water`, `resume` goes on with the interrupted one; under way it takes
        `skip`, `redo`, `note`, `answer` (their text in `water`) and `stop`. Only who `is_ours` may
        name a plan by its file. ValueError says why not.
        """
        if not meter and len(self._drivers) == 1:
            (meter,) = self._drivers
        if meter not in self._drivers:
            raise ValueError(f"no meter {meter[:40]!r}; there are: {', '.join(self._drivers)}")
        desk = self._desks.get(meter)
        if desk is None and self._is_typed(meter):
            desk = await self._meet(meter)
        if desk is None:
            raise ValueError(f"{meter} has not said anything yet")
        if meter in self._off_bench:
            raise ValueError(f"{meter} takes no captures: its watch says captures = false")
        if word in {"round", "resume"}:
            return await self._begin_round(meter, desk, water, word == "resume", is_ours=is_ours)
        if self._walking.walk_of(meter) is not None and word in ROUND_ORDERS:
            done, walked = self._walking.order(word, meter, water, self._clock.now())
            await self._keep_walked(meter, walked)
            return f"{meter}: {done}"
        match word:
            case "water" if water:
                desk.plan.expect(water)
                return f"{meter}: the water is {water}"
            case "water":
                raise ValueError('name the water: {"water": "..."}')
            case "capture":
                return await self._capture_again(meter, desk)
            case "skip":
                skipped = desk.plan.skip()
                return f"{meter}: left out {skipped}" if skipped else f"{meter}: nothing to skip"
            case "stop":
                desk.plan.expect_nothing()
                return f"{meter}: no water is named any more"
        raise ValueError(f"no such order: {word[:40]!r}")

    async def _capture_again(self, meter: str, desk: Desk) -> str:
        if self._walking.walk_of(meter) is not None:
            raise ValueError("a round is under way: ask it for `redo`")
        for news in desk.again(self._clock.now()):
            await self._keep(news)
        return f"{meter}: settling begins anew; a capture follows once it has settled"

    async def _begin_round(
        self,
        meter: str,
        desk: Desk,
        wanted: str,
        resume: bool,
        *,
        is_ours: bool,
    ) -> str:
        channels = tuple(self._drivers[meter].channels)
        bench = BenchOf(meter, desk, channels, self._in_force(meter), self._is_typed(meter))
        try:
            done, news = self._walking.begin(
                bench, wanted, self._clock.now(), resume=resume, is_name=not is_ours
            )
        except OuzelError as error:
            raise ValueError(str(error)) from error
        await self._keep_walked(meter, news)
        return done

    def _is_typed(self, meter: str) -> bool:
        """Whether a person reads it: it never says anything by itself."""
        return self._meters[meter].driver == "by_hand"

    def _in_force(self, meter: str) -> dict[str, StandingCorrection]:
        return in_force(one for one in self._corrections if one.meter == meter)

    async def typed(
        self,
        meter: str,
        entries: Sequence[Entry],
        *,
        stood_still: bool,
        water: str,
        role: Role | None,
    ) -> Capture:
        """Record numbers a person read off a display: the reading, and the capture made of it.

        A round under way names it, and goes on with it.

        `meter` is one of those configured.
        """
        now, channels = self._clock.now(), self._drivers[meter].channels
        if meter not in self._desks:
            await self._meet(meter)
        values = {entry.quantity: entry.value for entry in entries}
        typed = typed_capture(
            entries,
            id=new_id(),
            meter=meter,
            channels=channels,
            began=now,
            ended=now,
            stood_still=stood_still,
            water=water,
            role=role,
            corrections=self._in_force(meter),
        )
        reading = Reading(meter, now, values)
        if self._writer is not None:
            await self._writer.add(reading)
        await self._said.publish(reading)
        capture = await self._keep_named(meter, typed)
        assert isinstance(capture, Capture)  # noqa: S101 - as it was given
        for point in self._points:
            point.see(capture)
        if capture.state is CaptureState.FINAL:
            for finding in Findings(meter, channels).of(capture, now):
                await self._keep(finding)
        return capture

    # -- what is kept for others ------------------------------------------------------------

    async def counted(self, count: ParticleCount) -> ParticleCount:
        """Keep a particle count; a round under way that waits for it goes on with it."""
        writer = self._written()
        count, meter, news = self._walking.counted(count, self._clock.now())
        await writer.keep(count)
        if meter:
            await self._keep_walked(meter, news)
        return count

    async def take_back(self, count: ParticleCount, *, is_back: bool, note: str) -> None:
        """Withdraw a count, or let it count again; its stop of a round under way follows."""
        self._written()
        now = self._clock.now()
        kind = COUNT_RESTORED if is_back else COUNT_WITHDRAWN
        why = note or ("not mistaken after all" if is_back else "mistaken")
        data: dict[str, float | str] = {"count": count.id, "water": count.water}
        await self._keep(Event(kind, now, "", why, data))
        meter, news = self._walking.taken_back(count.id, now, is_back=is_back)
        if meter:
            await self._keep_walked(meter, news)

    async def rename(self, capture_id: str, water: str, role: Role | None) -> None:
        """Let a capture's water be called otherwise."""
        self._written()
        found = self._past(lambda records: records.capture(capture_id))
        if found is not None:
            await self._keep(replace(found, water=water, role=role))

    async def correct(self, correction: StandingCorrection) -> None:
        """Put a correction in force, for what is captured from now on."""
        self._refuse_in_round(correction.meter)
        await self._written().keep(correction)
        self._correct_anew(correction.meter)

    async def undo_correction(self, meter: str, quantity: str) -> None:
        """End the correction in force; the one before it holds again."""
        self._refuse_in_round(meter)
        await self._written().undo_correction(meter, quantity)
        self._correct_anew(meter)

    def _written(self) -> StoreWriter:
        if self._writer is None:
            raise ConfigError("nothing is recorded: start ouzel with a store")
        return self._writer

    def _refuse_in_round(self, meter: str) -> None:
        """Captures that are compared must have been corrected alike."""
        if self._walking.walk_of(meter) is not None:
            raise ConfigError(f"a round is under way with {meter}: correct it when that is over")

    def _correct_anew(self, meter: str) -> None:
        self._corrections = self._past(Records.corrections)
        mine = self._in_force(meter)
        if meter in self._desks:
            self._desks[meter].correct(mine)
        for point in self._points:
            point.correct(meter, mine)

    async def note(self, kind: str, text: str) -> None:
        """Keep and tell of something that happened beside the meters."""
        await self._read.publish(Event(kind, self._clock.now(), "", text))

    async def _meet(self, name: str) -> Desk:
        """First reading of a meter: from now on its channels are known."""
        driver, meter = self._drivers[name], self._meters[name]
        if self._writer is not None:
            await self._writer.describe(
                name,
                driver=meter.driver,
                profile=str(getattr(meter.settings, "profile", "")),
                identity=driver.identity,
                channels=list(driver.channels),
                units={c.quantity: self._unit(c.quantity) for c in driver.channels},
            )
        taker = CaptureTaker(
            name,
            driver.channels,
            self._config.settler,
            self._config.tolerance,
            new_id=new_id,
            timeout_s=self._config.bench.timeout_s,
            required=self._meters[name].required,
            stops=self._stops or [(s.water, s.role) for s in self._config.bench.stops],
        )
        mine = self._in_force(name)
        for point in self._points:
            point.meet(name, driver.channels, mine)
        self._desks[name] = Desk(name, driver.channels, taker, mine)
        return self._desks[name]

    async def _close_captures(self) -> None:
        now = self._clock.now()
        for name, desk in self._desks.items():
            await self._interrupt(name, desk, now, self._closing)


def _make_driver(meter: MeterConfig, clock: Clock) -> Driver:
    return driver_class(meter.driver)(meter.settings, meter=meter.name, clock=clock)


def new_id() -> str:
    """A capture's identity: eight characters without look-alikes, 40 random bits."""
    alphabet = "0123456789abcdefghjkmnpqrstvwxyz"
    return "".join(secrets.choice(alphabet) for _ in range(8))


def stop_on_signals(stop: Callable[[], None]) -> None:
    """Let SIGINT, SIGTERM and SIGHUP (a closed terminal) end the program cleanly.

    A second one ends it at once.
    """
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):

        def first(number: signal.Signals = number) -> None:
            loop.remove_signal_handler(number)
            stop()

        loop.add_signal_handler(number, first)
