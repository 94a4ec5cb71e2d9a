"""The contract every driver keeps."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from contextlib import AbstractAsyncContextManager
from typing import Any, ClassVar, Protocol

from pydantic import BaseModel

from acquire.clock import Clock
from acquire.readings import Channel, Reading

__all__ = ["Driver", "DriverClass"]


class Driver(Protocol):
    """Turns a connection into readings.

    The context manager that `open` gives owns the port; the iterator only yields. A connection
    that cannot be made raises `MeterUnavailable`, one that goes away raises `MeterLost`. A driver
    never retries and never keeps: `supervise` does the one, the store the other.
    """

    Settings: ClassVar[type[BaseModel]]
    """Shape of the meter's table in the configuration."""

    bad_frames: int
    """Frames counted and skipped since the driver was made."""

    @property
    def channels(self) -> Sequence[Channel]:
        """What the meter measures; complete once `open` has been entered."""
        ...

    def open(self) -> AbstractAsyncContextManager[AsyncIterator[Reading]]: ...


class DriverClass(Protocol):
    """How a driver is made: from its validated settings, the meter's name and the clock."""

    Settings: ClassVar[type[BaseModel]]

    def __call__(self, settings: Any, *, meter: str, clock: Clock) -> Driver: ...
