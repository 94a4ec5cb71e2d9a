"""A clock that jumps to whatever is due next once everything that was due is done.

A month then takes as long as the computing in it, and nothing is late because the machine was busy:
time stands still while anybody computes or waits for the store. Only what other programs do (a
broker, a scrape) goes on in real time beside it.
"""

from __future__ import annotations

import asyncio
import heapq
import itertools
from typing import Any

from acquire.readings import Stamp
from acquire.store.writer import StoreWriter


class SwiftClock:
    """Simulated time for one event loop; `run` it as a task."""

    def __init__(self, at_ms: int = 1_790_000_000_000) -> None:
        self._start_ms = at_ms
        self._stepped_ms = 0
        self._now_ns = 10**12
        self._due: list[tuple[int, int, asyncio.Future[None] | asyncio.Timeout]] = []
        self._number = itertools.count()
        self.in_store = 0  # calls that wait for the store's thread
        self._watch_store()

    def now(self) -> Stamp:
        passed_ms = (self._now_ns - 10**12) // 1_000_000
        return Stamp(self._start_ms + self._stepped_ms + passed_ms, self._now_ns)

    @property
    def t_s(self) -> float:
        return self._now_ns * 1e-9

    def step_wall(self, seconds: float) -> None:
        """As when somebody, or the network, sets the machine's clock."""
        self._stepped_ms += round(seconds * 1000)

    async def sleep(self, seconds: float) -> None:
        future = asyncio.get_running_loop().create_future()
        self._at(seconds, future)
        await future

    def timeout(self, seconds: float | None) -> asyncio.Timeout:
        timeout = asyncio.timeout(None)
        if seconds is not None:
            self._at(seconds, timeout)
        return timeout

    def _at(self, seconds: float, what: asyncio.Future[None] | asyncio.Timeout) -> None:
        due_ns = self._now_ns + max(0, round(seconds * 1e9))
        heapq.heappush(self._due, (due_ns, next(self._number), what))
        if len(self._due) > 4_000:  # time-outs of blocks that were left long before
            self._due = [one for one in self._due if not _is_over(one[2])]
            heapq.heapify(self._due)

    def _watch_store(self) -> None:
        original = StoreWriter._have_done

        async def counted(writer: StoreWriter, job: Any) -> None:
            self.in_store += 1
            try:
                await original(writer, job)
            finally:
                self.in_store -= 1

        StoreWriter._have_done = counted  # type: ignore[method-assign]

    async def run(self) -> None:
        while True:
            await self._quiet()
            while self._due and _is_over(self._due[0][2]):
                heapq.heappop(self._due)
            if not self._due:
                await asyncio.sleep(0.001)
                continue
            due_ns, _, what = heapq.heappop(self._due)
            self._now_ns = max(self._now_ns, due_ns)
            if isinstance(what, asyncio.Timeout):
                try:
                    what.reschedule(asyncio.get_running_loop().time())
                except RuntimeError:
                    continue  # not entered yet, or left
            else:
                what.set_result(None)

    async def _quiet(self) -> None:
        """Return once no task can go on by itself and none waits for the store."""
        ready = asyncio.get_running_loop()._ready  # type: ignore[attr-defined]
        still = 0
        while still < 2:
            if self.in_store:
                await asyncio.sleep(0.0002)
                still = 0
                continue
            await asyncio.sleep(0)
            still = 0 if ready else still + 1


def _is_over(what: asyncio.Future[None] | asyncio.Timeout) -> bool:
    if isinstance(what, asyncio.Future):
        return what.done()
    return what._state.value in ("expired", "finished")  # type: ignore[attr-defined]
