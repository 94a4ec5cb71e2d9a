"""The bounded buffer between a port and the one task that reads it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from acquire.errors import MeterLost

__all__ = ["BUFFER_LIMIT", "Inbox"]

BUFFER_LIMIT = 64 * 1024
"""Bytes held for a reader that is busy; beyond it the port is not read until there is room."""


class Inbox:
    """Bytes waiting to be taken. Lives in the event loop: call it from there only."""

    def __init__(self, on_room: Callable[[], None], limit: int = BUFFER_LIMIT) -> None:
        self._on_room = on_room
        self._limit = limit
        self._data = bytearray()
        self._end: MeterLost | None = None
        self._waiting: asyncio.Future[None] | None = None

    @property
    def room(self) -> int:
        """How many bytes may still be put in."""
        return self._limit - len(self._data)

    @property
    def is_over(self) -> bool:
        """Whether nothing more will come."""
        return self._end is not None

    def put(self, data: bytes) -> bool:
        """Add bytes; False when the port should not be read until `on_room` is called."""
        self._data += data
        self._wake()
        return self.room > 0

    def end(self, lost: MeterLost) -> None:
        """Say that nothing more will come, and why; the first reason stands."""
        if self._end is None:
            self._end = lost
        self._wake()

    async def take(self) -> bytes:
        """Give all there is, at least one byte; MeterLost once it is over and empty."""
        while not self._data:
            self.check()
            self._waiting = asyncio.get_running_loop().create_future()
            try:
                await self._waiting
            finally:
                self._waiting = None
        return self._emptied()

    def clear(self) -> int:
        """Drop what there is and give how much that was."""
        return len(self._emptied())

    def check(self) -> None:
        """Raise when it is over."""
        if self._end is not None:
            raise MeterLost(str(self._end)) from self._end

    def _emptied(self) -> bytes:
        was_full = self.room <= 0
        data = bytes(self._data)
        self._data.clear()
        if was_full and self._end is None:
            self._on_room()
        return data

    def _wake(self) -> None:
        if self._waiting is not None and not self._waiting.done():
            self._waiting.set_result(None)
