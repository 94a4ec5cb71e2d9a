"""Runs meters: supervises them, records, takes captures, tells whoever listens.

    supervise ── Reading/Event ──► bus "read" ──► the bench ── the store, then ──► bus "said"
                                                                                       │
                             terminal, page, broker, metrics, programs ◄── hosting ────┘

This puts the parts in `acquire.works` together. Listeners hear of a capture only after it is
durable. One task group holds everything; a store that fails stops the daemon, a listener that
fails does not.
"""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path

from acquire.bench.standing import Said
from acquire.bus import Bus, Policy, Subscription
from acquire.clock import Clock
from acquire.config import Config, MeterConfig
from acquire.meter import Driver, supervise
from acquire.progress import Progress
from acquire.readings import Event, Reading, Role, Stamp
from acquire.registry import driver_class
from acquire.works.bench_work import BenchWork, Wanted
from acquire.works.books import Books
from acquire.works.hosting import Hosting, House, LateOutlet, Outlet, Typed
from acquire.works.identity import new_id
from acquire.works.keeping import Keeping
from acquire.works.orders import Orders
from acquire.works.requests import Requests

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

CLOCK_STEP_S = 0.5
"""Wall time that departs this far from monotonic time between two looks was stepped."""
LOOK_S = 1.0
"""How often it is looked at the clock, and for what other commands ask."""
STANDS_S = 60.0
"""Real seconds after which a part that should move counts as standing still."""


class Stopped(Exception):
    """Ends the task group cleanly."""


class Daemon:
    """One configuration at work: `listen`, then `run`; `stop` from anywhere in the loop.

    `order` does what somebody outside asks for (`works.orders`), `typed` records what a person read
    off a display, `books` keeps what others count, name and correct.
    """

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
        for long, and puts a damaged store aside for a new one. `round_` begins a round with
        the first meter heard: a plan, and whether an interrupted one of it goes on.
        """
        self._clock = clock
        self._outlets = outlets
        self._said: Bus[Said] = Bus()
        self._read: Bus[Reading | Event] = Bus()
        self._drivers = {m.name: _make_driver(m, clock) for m in meters}
        self._meters = {m.name: m for m in meters}
        self._stop = asyncio.Event()
        self._progress = Progress()
        self._keeping = Keeping(
            config.store, store, clock, keeps_on=keeps_on, said=self._said, read=self._read
        )
        # Who asks for one capture gets it, also of a meter that stands in a line.
        off_bench = config.off_bench if keeps_on else frozenset()
        self._bench = BenchWork(
            config,
            self._meters,
            self._drivers,
            clock,
            keeping=self._keeping,
            said=self._said,
            progress=self._progress,
            wanted=Wanted(stops, closing, off_bench, round_),
        )
        orders = Orders(self._bench, self._keeping, clock)
        self.books = Books(self._bench, self._keeping, clock)
        self.order = orders.order
        self.typed = self._bench.typed
        self._requests = Requests(self._bench, orders, self.books, self._keeping, clock)
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
        async with self._keeping.opened():
            if self._keeping.path is not None:
                await self._bench.look_back(self._keeping.path)
            async with asyncio.TaskGroup() as group:
                outlets = Hosting(self._outlets, self._house())
                # The bench is outside the group that a stop cancels: it ends by itself, after what
                # has been read, so that a stop never falls between a capture and its keeping.
                queue = self._read.subscribe("bench", size=256, policy=Policy.WAIT)
                self._progress.expect("bench", STANDS_S)
                group.create_task(self._bench.work(queue), name="bench")
                outlets.begin(group)
                await self._read_until_stop(ready)
                await self._read.close()
                await outlets.end()

    def _house(self) -> House:
        return House(
            self.listen,
            lambda: self._keeping.writer,
            self._read.publish,
            self.note,
            self.order,
            self.typed,
            self.books,
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
        self._keeping.hurry()
        raise Stopped

    async def _look_round(self) -> None:
        """What nobody would tell us: that the clock was set, that another command asks."""
        last = self._clock.now()
        while True:
            if self._keeping.path is not None:
                await self._requests.take(self._keeping.path)
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

    async def note(self, kind: str, text: str) -> None:
        """Keep and tell of something that happened beside the meters."""
        await self._read.publish(Event(kind, self._clock.now(), "", text))


def _make_driver(meter: MeterConfig, clock: Clock) -> Driver:
    return driver_class(meter.driver)(meter.settings, meter=meter.name, clock=clock)


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
