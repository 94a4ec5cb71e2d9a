"""The driver for meters of the past: a recording, an export or a store speaks again.

A recording holds bytes: they are played to the driver that heard them, which decodes them anew.
An export and a store hold readings; the program, which made them, hands in how to read them.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator, AsyncIterator, Iterator, Sequence
from contextlib import AsyncExitStack, aclosing, asynccontextmanager
from dataclasses import replace
from typing import ClassVar

from pydantic import BaseModel

from acquire.clock import Clock
from acquire.errors import MeterLost, OuzelError
from acquire.meter import Driver
from acquire.readings import Channel, Reading
from drivers.line import line_opener
from drivers.playback import Pace, Playback
from drivers.recorded import length_of, records_of
from drivers.replay_settings import Past, ReplaySettings

__all__ = ["Replay"]


class Replay:
    """Readings from a recording, an export or a store, at any speed."""

    Settings: ClassVar[type[BaseModel]] = ReplaySettings

    def __init__(self, settings: ReplaySettings, *, meter: str, clock: Clock) -> None:
        self._settings = settings
        self._play: _Bytes | _Readings
        if settings.is_recording:
            self._play = _Bytes(settings, meter, clock)
        else:
            self._play = _Readings(settings, meter, clock)

    @property
    def bad_frames(self) -> int:
        return self._play.bad_frames

    @property
    def channels(self) -> Sequence[Channel]:
        return self._play.channels

    @property
    def identity(self) -> str:
        """Where the past is kept."""
        return str(self._settings.file)

    @asynccontextmanager
    async def open(self) -> AsyncGenerator[AsyncIterator[Reading]]:
        """Go on with the past where it was left; MeterLost.is_over when there is no more."""
        async with self._play.open() as readings:
            yield readings


class _Bytes:
    """A recording, played to the driver it was made with."""

    def __init__(self, settings: ReplaySettings, meter: str, clock: Clock) -> None:
        self._settings = settings
        self._meter = meter
        self._clock = clock
        self._playback: Playback | None = None
        self._driver: Driver | None = None

    @property
    def bad_frames(self) -> int:
        return 0 if self._driver is None else self._driver.bad_frames

    @property
    def channels(self) -> Sequence[Channel]:
        return () if self._driver is None else self._driver.channels

    @asynccontextmanager
    async def open(self) -> AsyncGenerator[AsyncIterator[Reading]]:
        if self._driver is None or self._playback is None:
            length_s = await asyncio.to_thread(length_of, self._settings.file)
            pace = Pace(self._clock, self._settings.speed, length_s)
            self._playback = Playback(records_of(self._settings.file), pace)
            self._driver = self._settings.make_driver(meter=self._meter, clock=self._playback)
        async with AsyncExitStack() as stack:
            token = line_opener.set(self._playback.open)
            try:
                readings = await stack.enter_async_context(self._driver.open())
            finally:
                line_opener.reset(token)
            yield readings


class _Readings:
    """An export or a store."""

    def __init__(self, settings: ReplaySettings, meter: str, clock: Clock) -> None:
        self.bad_frames = 0
        self.channels: Sequence[Channel] = ()
        self._settings = settings
        self._meter = meter
        self._clock = clock
        self._pace: Pace | None = None
        self._left: Iterator[tuple[float, Reading]] = iter(())
        self._due: tuple[float, Reading] | None = None

    @asynccontextmanager
    async def open(self) -> AsyncGenerator[AsyncIterator[Reading]]:
        if self._pace is None:
            past = await asyncio.to_thread(self._begin)
            self.channels = past.channels
            self._left = _timed(past.readings())
            self._pace = Pace(self._clock, self._settings.speed, past.length_s)
        async with aclosing(self._readings(self._pace)) as readings:
            yield readings

    def _begin(self) -> Past:
        try:
            past = self._settings.past()
        except OuzelError as error:
            raise MeterLost(str(error), is_over=True) from error  # a file does not mend itself
        strange = [c.quantity for c in past.channels if c.quantity not in self._settings.quantities]
        if strange:
            raise MeterLost(
                f"{self._settings.file} holds {strange[0]!r}, which is no known quantity: "
                f"describe it in ouzel.toml under [quantities.{strange[0]}]",
                is_over=True,
            )
        return past

    async def _readings(self, pace: Pace) -> AsyncGenerator[Reading]:
        while True:
            try:
                # A wait that a silence cut short is no reason to lose the reading waited for.
                self._due = self._due or next(self._left, None)
            except OuzelError as error:
                raise MeterLost(str(error), is_over=True) from error
            if self._due is None:
                raise MeterLost("the recording has ended", is_over=True)
            t_s, reading = self._due
            await pace.until(t_s)
            self._due = None
            yield replace(reading, meter=self._meter, stamp=pace.stamp(t_s))


def _timed(readings: Iterator[Reading]) -> Iterator[tuple[float, Reading]]:
    """Give each reading with the seconds since the first one.

    Monotonic time holds across a clock that was set; where it falls back the machine was started
    anew in between, and only wall time is left to go by.
    """
    t_s, before = 0.0, None
    for reading in readings:
        stamp = reading.stamp
        if before is not None:
            step_s = stamp.t_s - before.t_s
            t_s += step_s if step_s >= 0 else max(0.0, (stamp.at_ms - before.at_ms) * 1e-3)
        before = stamp
        yield t_s, reading
