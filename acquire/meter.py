"""The contract every driver keeps, and the supervision that keeps a meter alive."""

from __future__ import annotations

import asyncio
import logging
import random
import re
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import dataclass
from typing import Any, ClassVar, NoReturn, Protocol

from pydantic import BaseModel

from acquire.clock import Clock
from acquire.errors import MeterError, MeterLost, MeterUnavailable
from acquire.readings import Channel, Event, Reading, Stamp

__all__ = ["Backoff", "Driver", "DriverClass", "supervise"]

_log = logging.getLogger(__name__)


HELD_S = 10.0
"""A link that held so long was good: the next failure begins with the shortest wait again."""
BURST = 10
"""Losses told of one after the other; each is a commit to flash."""
UNENDED_MOST = 20
"""So many bytes without the end of a frame are a meter that ends its lines otherwise."""
NO_END = (
    "bytes arrive but no line ends as the profile says: check its terminator, "
    "or let `ouzel learn` find out"
)
HINT_S = 5.0
"""So long a person may wait for a first reading before being told what the bytes look like."""


class Driver(Protocol):
    """Turns a connection into readings.

    The context manager that `open` gives owns the port; the iterator only yields. A connection
    that cannot be made raises `MeterUnavailable`, one that goes away raises `MeterLost`. A driver
    never retries and never keeps: `supervise` does the one, the store the other.
    """

    Settings: ClassVar[type[BaseModel]]
    """Shape of the meter's table in the configuration.

    Settings may have an attribute ``slowest_s``: the most seconds, the time-out of an answer
    included, that pass between two readings of a meter that is well. A meter that speaks rarely
    needs it: the silence after which it counts as lost is kept well above (three times by default,
    never less than twice).
    """

    bad_frames: int
    """Frames counted and skipped since the driver was made."""

    @property
    def channels(self) -> Sequence[Channel]:
        """What the meter measures; complete once `open` has been entered."""
        ...

    @property
    def identity(self) -> str:
        """What tells this instrument from its like: USB serial number, address; may be empty."""
        ...

    def open(self) -> AbstractAsyncContextManager[AsyncIterator[Reading]]: ...


class DriverClass(Protocol):
    """How a driver is made: from its validated settings, the meter's name and the clock."""

    Settings: ClassVar[type[BaseModel]]

    def __call__(self, settings: Any, *, meter: str, clock: Clock) -> Driver: ...


@dataclass(frozen=True, slots=True)
class Backoff:
    """Waits between tries: doubling from `first_s`, at most `most_s`, each cut by up to half.

    The cut keeps several meters on one hub from trying in step. The cap is low because a port that
    comes back should be read again within five seconds, and a failed open costs next to nothing.
    """

    first_s: float = 0.25
    most_s: float = 4.0

    def wait_s(self, failures: int, chance: Callable[[], float] = random.random) -> float:  # noqa: S311
        """Seconds to wait after that many failures in a row (>= 1)."""
        doubled = min(self.first_s * 2.0 ** min(failures - 1, 30), self.most_s)
        return doubled * (1.0 - 0.5 * chance())


async def supervise(
    driver: Driver,
    *,
    meter: str,
    clock: Clock,
    publish: Callable[[Reading | Event], Awaitable[None]],
    silence_s: float,
    backoff: Backoff | None = None,
    tried: Callable[[], None] = lambda: None,
) -> NoReturn:
    """Read a meter for ever: publish its readings and, once each, what goes wrong and right again.

    A link that is lost, cannot be opened or says nothing for `silence_s` is opened anew. Events:
    `meter_not_reached` (while there has been no reading at all) and `meter_lost`, both with the
    reason, and `meter_back` with the length of the gap; a link that flaps is told of `BURST` times
    at once and then once a minute. `bad_frames`: at most one a minute. A meter that is lost for
    good (`MeterLost.is_over`) is told as `meter_over` and not opened again. `tried` is called
    before each opening and after each reading: a supervisor that works calls it again and again.

    Ends only by cancellation.
    """
    waits = backoff or Backoff()
    watch = _LinkWatch(meter, driver, publish)
    failures = 0
    while True:
        opened_s = clock.now().t_s
        tried()
        watch.count_anew()
        try:
            async with driver.open() as readings, watch.hinting(clock):
                while True:
                    async with clock.timeout(silence_s):
                        reading = await anext(readings)
                    if reading.stamp.t_s - opened_s >= HELD_S:
                        failures = 0
                    await watch.is_well(reading)
                    tried()
        except TimeoutError:
            problem: MeterError = MeterLost(_silence(driver, watch, silence_s))
        except StopAsyncIteration:
            problem = MeterLost("the meter's stream ended")
        except (MeterLost, MeterUnavailable) as error:
            problem = error
        except Exception as error:  # noqa: BLE001  one driver's fault must not end the other meters
            _log.exception("driver of %s", meter)
            problem = MeterLost(f"its driver failed: {type(error).__name__}: {error}")
        if isinstance(problem, MeterLost) and problem.is_over:
            await watch.is_over(problem, clock.now())
            await asyncio.Event().wait()  # only the end of the program ends this
        failures += 1
        await watch.is_lost(problem, clock.now())
        await clock.sleep(waits.wait_s(failures))


def _silence(driver: Driver, watch: _LinkWatch, silence_s: float) -> str:
    news = driver.bad_frames - watch.frames_before
    if news > 0:
        return (
            f"bytes arrive but none make sense{_wire(driver)} ({news} bad frames in "
            f"{silence_s:g} s): try another speed or profile, or let `ouzel learn` find out"
        )
    if _unended(driver) >= UNENDED_MOST:
        return NO_END
    return f"nothing heard for {silence_s:g} s: is the meter switched on?"


def _wire(driver: Driver) -> str:
    """The serial settings in words; not every driver has any."""
    words = getattr(driver, "wire_words", "")
    return f" at {words}" if words else ""


def _unended(driver: Driver) -> int:
    """Bytes that belong to no whole frame yet; not every driver says."""
    return int(getattr(driver, "unended", 0))


class _LinkWatch:
    """Says each change of a link once, however often it is tried."""

    def __init__(
        self, meter: str, driver: Driver, publish: Callable[[Reading | Event], Awaitable[None]]
    ) -> None:
        self._meter = meter
        self._driver = driver
        self._publish = publish
        self._problem = ""
        self._last: Stamp | None = None
        self.frames_before = 0
        """Bad frames up to this opening of the link, or up to its last reading."""
        self._may_tell = float(BURST)
        self._counted_s = 0.0
        self._untold = 0
        self._is_told = False
        self._frames_told = 0
        self._frames_told_s = float("-inf")

    @asynccontextmanager
    async def hinting(self, clock: Clock) -> AsyncIterator[None]:
        """Say soon that bytes come and make no sense: a person waits beside the meter."""

        async def hint() -> None:
            before = self._driver.bad_frames
            await clock.sleep(HINT_S)
            news = self._driver.bad_frames - before
            if self._last is not None:
                return
            if news >= 2:
                text = (
                    f"bytes arrive but none of {news} lines makes sense{_wire(self._driver)}: "
                    "try another speed or profile, or let `ouzel learn` find out"
                )
                await self._tell("bad_frames", clock.now(), text, {"count": news})
            elif _unended(self._driver) >= UNENDED_MOST:
                await self._tell("bad_frames", clock.now(), NO_END, {"count": news})

        task = asyncio.create_task(hint(), name=f"hint {self._meter}")
        try:
            yield
        finally:
            task.cancel()

    def count_anew(self) -> None:
        """What came before this says nothing of the link any more: noise may have gone silent."""
        self.frames_before = self._driver.bad_frames

    async def is_well(self, reading: Reading) -> None:
        if self._is_told:
            gap_s = reading.stamp.t_s - self._last.t_s if self._last else 0.0
            text = f"readings again after {gap_s:.1f} s" if self._last else "readings"
            await self._tell("meter_back", reading.stamp, text, {"gap_s": round(gap_s, 3)})
        self._problem, self._is_told = "", False
        self._last = reading.stamp
        self.count_anew()
        await self._publish(reading)
        await self._count_frames(reading.stamp)

    async def is_lost(self, problem: MeterError, stamp: Stamp) -> None:
        # Noise has another count each time, which is no news.
        said = re.sub(r"\d+", "", str(problem))
        is_news = not self._is_told or said != self._problem
        if is_news and self._may_speak(stamp):
            data: dict[str, float | str] = {}
            if isinstance(problem, MeterUnavailable):
                data["reason"] = str(problem.reason)
            if self._untold:
                data["untold"] = self._untold
            kind = "meter_lost" if self._last else "meter_not_reached"
            self._is_told, self._untold = True, 0
            await self._tell(kind, stamp, str(problem), data)
        elif not self._problem:
            self._untold += 1
        self._problem = said
        await self._count_frames(stamp)

    def _may_speak(self, stamp: Stamp) -> bool:
        """A burst at once, then one a minute: a loose plug must not wear out the flash card."""
        grown = (stamp.t_s - self._counted_s) / 60.0
        self._may_tell = min(float(BURST), self._may_tell + grown)
        self._counted_s = stamp.t_s
        if self._may_tell < 1.0:
            return False
        self._may_tell -= 1.0
        return True

    async def is_over(self, problem: MeterError, stamp: Stamp) -> None:
        self._frames_told_s = float("-inf")  # there will be no later minute to tell the rest in
        await self._count_frames(stamp)
        await self._tell("meter_over", stamp, str(problem), {})

    async def _count_frames(self, stamp: Stamp) -> None:
        news = self._driver.bad_frames - self._frames_told
        if news > 0 and stamp.t_s - self._frames_told_s >= 60.0:
            self._frames_told_s = stamp.t_s
            self._frames_told = self._driver.bad_frames
            await self._tell("bad_frames", stamp, f"{news} bad frames skipped", {"count": news})

    async def _tell(self, kind: str, stamp: Stamp, text: str, data: dict[str, float | str]) -> None:
        await self._publish(Event(kind, stamp, self._meter, text, data))
