"""A port in memory, for as many meters as there are: plugged, pulled, babbling, mute."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from acquire.errors import MeterLost, MeterUnavailable, Unavailable
from drivers.inbox import Inbox
from drivers.profile import SerialSettings


class MemoryLine:
    """The reader's end (drivers.line.Line)."""

    def __init__(self) -> None:
        self._inbox = Inbox(on_room=lambda: None)
        self.is_closed = False

    def put(self, data: bytes) -> None:
        room = self._inbox.room
        self._inbox.put(data[:room])  # a reader that is busy loses what does not fit

    def end(self) -> None:
        self._inbox.end(MeterLost("unplugged"))

    async def read(self) -> bytes:
        return await self._inbox.take()

    async def write(self, data: bytes) -> None:
        self._inbox.check()

    def reset_input(self) -> int:
        return self._inbox.clear()

    async def send_break(self, duration_s: float = 0.25) -> None:
        pass

    async def close(self) -> None:
        self.is_closed = True


class MemoryPort:
    """The meter's end (simulators.speech.Wire)."""

    def __init__(self) -> None:
        self.is_plugged = True
        self.is_mute = False
        self._line: MemoryLine | None = None

    def opened(self) -> MemoryLine:
        if not self.is_plugged:
            raise MeterUnavailable("no such port", reason=Unavailable.MISSING)
        if self._line is not None and not self._line.is_closed:
            raise MeterUnavailable("the port is taken", reason=Unavailable.TAKEN)
        self._line = MemoryLine()
        return self._line

    def send(self, data: bytes) -> int:
        if self.is_plugged and not self.is_mute and self._line is not None:
            self._line.put(data)
        return len(data)

    async def receive(self) -> bytes:
        await asyncio.Event().wait()
        return b""

    def pull(self) -> None:
        self.is_plugged = False
        if self._line is not None:
            self._line.end()


def opener(ports: dict[str, MemoryPort]) -> Callable[[str, SerialSettings], object]:
    async def open_line(port: str, settings: SerialSettings) -> MemoryLine:
        return ports[port].opened()

    return open_line
