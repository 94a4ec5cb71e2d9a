"""One listener of the stream: what waits to be sent to it. No I/O."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Collection
from typing import Any

from acquire.page.answers import written

__all__ = ["ALWAYS", "Stream", "frame"]

ALWAYS = {"hello", "alive", "bye"}
"""Events that every listener gets."""
_FRAMES, _BYTES = 512, 2_000_000
"""What may wait for one listener; beyond it the listener is dropped."""


def frame(event: str, data: Any, number: int | None = None) -> bytes:
    """One event as it goes over the line; JSON in ASCII holds no line break."""
    head = b"" if number is None else f"id: {number}\n".encode()
    return head + f"event: {event}\ndata: ".encode() + written(data) + b"\n\n"


class Stream:
    """One listener: what waits for it. `only` names the events wanted; empty means all."""

    def __init__(
        self,
        only: Collection[str],
        abort: Callable[[], None],
        is_welcome: Callable[[], bool] = lambda: True,
    ) -> None:
        self.is_welcome = is_welcome
        self._only = frozenset(only) and frozenset(only) | ALWAYS
        self.number = 0
        """Of the last thing that was told here."""
        self._abort = abort
        self._frames: deque[bytes] = deque()
        self._size = 0
        self.wake = asyncio.Event()
        self.is_ended = False

    def put(self, event: str, data: bytes, number: int | None = None) -> None:
        """Let it wait to be sent; what has a number is left out when it was sent before."""
        if self.is_ended or (self._only and event not in self._only):
            return
        if number is not None and event != "alive":
            if number <= self.number:
                return
            self.number = number
        self._frames.append(data)
        self._size += len(data)
        if len(self._frames) > _FRAMES or self._size > _BYTES:
            self._frames.clear()
            self.end()
            self._abort()
        self.wake.set()

    def take(self) -> bytes:
        """Give all that waits."""
        data = b"".join(self._frames)
        self._frames.clear()
        self._size = 0
        self.wake.clear()
        return data

    def end(self) -> None:
        """Let it end once what waits is taken."""
        self.is_ended = True
        self.wake.set()
