"""A meter made of a pty: the far end is the test's, the near end is the driver's."""

from __future__ import annotations

import asyncio
import os
import pty
import tty
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager

import pytest

from acquire.clock import Clock, SystemClock
from acquire.readings import Reading
from drivers.text_lines import TextLines


class Meter:
    """The far end of a pty and a driver that has it open."""

    def __init__(self, far: int, driver: TextLines, readings: AsyncIterator[Reading]) -> None:
        self.far = far
        self.driver = driver
        self.readings = readings

    def say(self, data: bytes) -> None:
        assert os.write(self.far, data) == len(data)

    async def next(self) -> Reading:
        async with asyncio.timeout(2.0):
            return await anext(self.readings)

    async def heard(self) -> bytes:
        """What the driver sends next."""
        loop = asyncio.get_running_loop()
        ready = asyncio.Event()
        loop.add_reader(self.far, ready.set)
        try:
            async with asyncio.timeout(2.0):
                await ready.wait()
        finally:
            loop.remove_reader(self.far)
        return os.read(self.far, 1000)

    def unplug(self) -> None:
        if self.far >= 0:
            os.close(self.far)
            self.far = -1


def _make(port: str, profile: str = "labelled", clock: Clock | None = None) -> TextLines:
    settings = TextLines.Settings.model_validate({"port": port, "profile": profile})
    return TextLines(settings, meter="bench", clock=clock or SystemClock())  # type: ignore[arg-type]


@asynccontextmanager
async def _plugged_in(
    profile: str = "labelled", clock: Clock | None = None
) -> AsyncIterator[Meter]:
    far, near = pty.openpty()
    tty.setraw(far)
    meter = None
    try:
        driver = _make(os.ttyname(near), profile, clock)
        async with driver.open() as readings:
            os.close(near)
            near = -1
            meter = Meter(far, driver, readings)
            yield meter
    finally:
        for end in (near, far if meter is None else meter.far):
            if end >= 0:
                os.close(end)


@pytest.fixture
def make_driver() -> Callable[..., TextLines]:
    """Make a driver from a port, a profile (default: labelled) and a clock."""
    return _make


@pytest.fixture
def plugged_in() -> Callable[..., AbstractAsyncContextManager[Meter]]:
    """Plug a meter in: a context manager that takes a profile and a clock."""
    return _plugged_in
