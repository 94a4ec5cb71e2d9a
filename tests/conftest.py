"""What every test may ask for."""

from __future__ import annotations

import asyncio
import contextlib
import os

import pytest
from hypothesis import HealthCheck, settings

from acquire.readings import Stamp

# The same examples on every run; `HYPOTHESIS_PROFILE=search` looks for new ones.
settings.register_profile(
    "repeatable",
    derandomize=True,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
settings.register_profile("search", deadline=None, max_examples=2000)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "repeatable"))


class FakeClock:
    """Time that stands still until the test moves it, in order, waking whoever sleeps."""

    def __init__(self, at_ms: int = 1_790_000_000_000, mono_s: float = 1000.0) -> None:
        self._at_ms = at_ms
        self._mono_s = mono_s
        self._sleepers: list[tuple[float, asyncio.Future[None]]] = []
        self._timeouts: list[tuple[float, asyncio.Timeout]] = []

    def now(self) -> Stamp:
        return Stamp(self._at_ms, round(self._mono_s * 1e9))

    def step_wall(self, seconds: float) -> None:
        self._at_ms += round(seconds * 1000)

    async def sleep(self, seconds: float) -> None:
        future = asyncio.get_running_loop().create_future()
        self._sleepers.append((self._mono_s + seconds, future))
        await future

    def timeout(self, seconds: float | None) -> asyncio.Timeout:
        timeout = asyncio.timeout(None)
        if seconds is not None:
            self._timeouts.append((self._mono_s + seconds, timeout))
        return timeout

    async def advance(self, seconds: float, step_s: float = 0.25) -> None:
        """Let time pass in small steps, giving every task its turn after each."""
        end_s = self._mono_s + seconds
        await self.settle()
        while self._mono_s < end_s:
            before_s = self._mono_s
            self._mono_s = min(end_s, self._mono_s + step_s)
            self._at_ms += round((self._mono_s - before_s) * 1000)
            self._wake()
            await self.settle()

    def _wake(self) -> None:
        for due_s, future in self._sleepers[:]:
            if future.done() or due_s <= self._mono_s:
                self._sleepers.remove((due_s, future))
                if not future.done():
                    future.set_result(None)
        for due_s, timeout in self._timeouts[:]:
            if due_s <= self._mono_s:
                self._timeouts.remove((due_s, timeout))
                with contextlib.suppress(RuntimeError):  # that block was left already
                    timeout.reschedule(asyncio.get_running_loop().time())

    async def settle(self) -> None:
        for _ in range(20):
            await asyncio.sleep(0)


@pytest.fixture
def fake_clock() -> FakeClock:
    return FakeClock()
