"""Time, injected: the machine's own clock, or one that runs faster for simulated meters.

Monotonic time drives settling, time-outs and rates; wall time is for people. Both come as one
`Stamp`, taken together.
"""

from __future__ import annotations

import asyncio
import time
from typing import Protocol

from acquire.readings import Stamp

__all__ = ["Clock", "SystemClock"]


class Clock(Protocol):
    """What the program may know of time."""

    def now(self) -> Stamp: ...

    async def sleep(self, seconds: float) -> None:
        """Let that many seconds of this clock go by."""
        ...

    def timeout(self, seconds: float | None) -> asyncio.Timeout:
        """Give an `asyncio.timeout` measured in this clock's seconds; None never ends."""
        ...


class SystemClock:
    """The machine's clock. With `speed` above 1 everything happens that many times faster.

    A faster clock is only for simulated meters: two processes that share `speed` and `epoch_s`
    (Unix seconds at which their clocks agree) see the same time.
    """

    def __init__(self, speed: float = 1.0, epoch_s: float | None = None) -> None:
        self._speed = speed
        self._wall0 = time.time() if epoch_s is None else epoch_s
        # The monotonic instant at which the wall showed epoch_s, so both hands run from one origin.
        self._mono0 = time.monotonic() - (time.time() - self._wall0)

    def now(self) -> Stamp:
        if self._speed == 1.0:
            return Stamp(time.time_ns() // 1_000_000, time.monotonic_ns())
        run_s = (time.monotonic() - self._mono0) * self._speed
        return Stamp(int((self._wall0 + run_s) * 1e3), int(run_s * 1e9))

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(max(0.0, seconds) / self._speed)

    def timeout(self, seconds: float | None) -> asyncio.Timeout:
        return asyncio.timeout(None if seconds is None else max(0.0, seconds) / self._speed)
