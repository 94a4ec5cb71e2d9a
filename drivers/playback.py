"""Plays a recording to a driver: a line that says what was heard then, and the time of then.

Time here is the recording's. It moves only from one thing that happened to the next, so a driver
sees the same times, makes the same decisions and gives the same readings at any speed.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator

from acquire.clock import Clock
from acquire.errors import FrameError, MeterLost
from acquire.readings import Stamp
from drivers.codecs.framing import printable
from drivers.codecs.recording import Record
from drivers.line import Line
from drivers.profile import SerialSettings

__all__ = ["Pace", "Playback"]


class Pace:
    """From seconds of a recording to instants of a clock, `speed` times as fast.

    Intervals stay those of the recording at any speed, because settling is judged by them. Played
    faster it therefore begins in the past, so that its end, `length_s` later, is now and not in
    the future.
    """

    def __init__(self, clock: Clock, speed: float, length_s: float) -> None:
        self._clock = clock
        self._speed = speed
        now = clock.now()
        early_s = length_s * max(0.0, 1.0 - 1.0 / speed)
        self._began_s = now.t_s
        self._base = Stamp(now.at_ms - round(early_s * 1e3), now.mono_ns - round(early_s * 1e9))

    def stamp(self, t_s: float) -> Stamp:
        """Give the instant that stands for that second of the recording."""
        return Stamp(self._base.at_ms + round(t_s * 1e3), self._base.mono_ns + round(t_s * 1e9))

    async def until(self, t_s: float) -> None:
        """Wait until that second of the recording is due; always lets others run."""
        wait_s = t_s / self._speed - (self._clock.now().t_s - self._began_s)
        if wait_s > 0:
            await self._clock.sleep(wait_s)
        else:
            await asyncio.sleep(0)


class Playback:
    """One recording under way. It is the `Clock` of the driver it plays to, and opens its line.

    A driver that asks gets the answers to the same command, in their order and after the same
    delay, whatever its own schedule. Closed and opened again it goes on where it was.
    """

    def __init__(self, records: Iterator[Record], pace: Pace) -> None:
        self._records = records
        self._next: Record | None = None
        self._is_read_out = False
        self._pace = pace
        self._t_s = 0.0
        self._shift_s = 0.0
        self._opened_s = 0.0
        self.waited_s = 0.0
        self._timeouts: list[tuple[float, asyncio.Timeout]] = []

    # The clock.

    def now(self) -> Stamp:
        return self._pace.stamp(self._t_s)

    async def sleep(self, seconds: float) -> None:
        self._t_s += max(0.0, seconds)
        await self._pace.until(self._t_s)

    def timeout(self, seconds: float | None) -> asyncio.Timeout:
        """Give a time-out in the recording's seconds; it ends a `read` and nothing else."""
        timeout = asyncio.timeout(None)
        if seconds is not None:
            self._timeouts.append((self._t_s + max(0.0, seconds), timeout))
        return timeout

    # The line.

    async def open(self, port: str, settings: SerialSettings) -> Line:  # noqa: ARG002  (an opener)
        """Go on behind the next opening, unless the link was still open at this place."""
        record = self._peek()
        if record is not None and record.act in {"open", "lost", "closed"}:
            while (record := self._take()) is not None and record.act != "open":
                pass
            if record is not None:
                self._t_s = max(self._t_s, record.t_s + self._shift_s)
                self._opened_s = record.t_s
        return self

    async def read(self) -> bytes:
        while True:
            record = self._peek()
            if record is None:
                raise MeterLost("the recording has ended", is_over=True)
            due_s = record.t_s + self._shift_s
            if await self._has_run_out(before_s=due_s):
                await asyncio.get_running_loop().create_future()  # until the time-out ends it
            await self._pace.until(due_s)
            self._t_s = max(self._t_s, due_s)
            self._take()
            if record.act == "lost":
                raise MeterLost("the link was lost here in the recording")
            if record.act == "in":
                self.waited_s = record.t_s - self._opened_s
                return record.data

    async def write(self, data: bytes) -> None:
        """Take this for the next recorded sending of the same bytes: its answer follows."""
        while (record := self._take()) is not None:
            if record.act == "lost":
                raise MeterLost("the link was lost here in the recording")
            if record.act == "out" and record.data == data:
                self._shift_s = self._t_s - record.t_s
                return
        raise MeterLost(
            f"the recording has ended: it holds no further answer to {printable(data, 60)}",
            is_over=True,
        )

    def reset_input(self) -> int:
        dropped = 0
        while (record := self._peek()) is not None and record.act == "in":
            if record.t_s + self._shift_s > self._t_s:
                break
            dropped += len(record.data)
            self._take()
        return dropped

    async def send_break(self, duration_s: float = 0.25) -> None:
        """Nobody feels it: what it led to is in the recording."""

    async def close(self) -> None:
        """The recording stays where it is."""

    def _peek(self) -> Record | None:
        """Give what happened next, or None at the end."""
        if self._next is None and not self._is_read_out:
            try:
                self._next = next(self._records, None)
            except (FrameError, OSError, UnicodeDecodeError) as error:
                self._is_read_out = True
                raise MeterLost(
                    f"the recording cannot be read on: {error}", is_over=True
                ) from error
            self._is_read_out = self._next is None
        return self._next

    def _take(self) -> Record | None:
        record = self._peek()
        self._next = None
        return record

    async def _has_run_out(self, *, before_s: float) -> bool:
        """Let the first time-out that is due before then run out, if there is one."""
        while self._timeouts:
            first = min(self._timeouts, key=lambda one: one[0])
            deadline_s, timeout = first
            if deadline_s >= before_s:
                return False
            self._timeouts.remove(first)
            try:
                timeout.reschedule(None)
            except RuntimeError:  # that block was left long ago
                continue
            await self._pace.until(deadline_s)
            self._t_s = max(self._t_s, deadline_s)
            timeout.reschedule(asyncio.get_running_loop().time())
            return True
        return False
