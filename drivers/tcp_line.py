"""A line over a TCP connection, read by the event loop itself."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from typing import cast
from urllib.parse import urlsplit

from acquire.errors import MeterLost
from drivers.access import unavailable
from drivers.inbox import Inbox

__all__ = ["TcpLine"]

_CONNECT_S = 5.0
"""Real seconds: a far end that has not accepted by then is not there."""


class TcpLine(asyncio.Protocol):
    """The bytes of ``tcp://HOST:PORT`` as they are; nothing of a serial line goes with them."""

    def __init__(self, url: str) -> None:
        self._url = url
        self._inbox = Inbox(on_room=self._resume)
        self._transport: asyncio.Transport | None = None
        self._room = asyncio.Event()
        self._room.set()
        self._ended = asyncio.Event()

    @classmethod
    async def opened(cls, url: str) -> TcpLine:
        """Connect; MeterUnavailable says why not."""
        parts = urlsplit(url)
        line = cls(url)
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(_CONNECT_S):
                await loop.create_connection(lambda: line, parts.hostname or "", parts.port or 0)
        except (OSError, ValueError) as error:  # TimeoutError and gaierror are OSErrors
            raise unavailable(url, error) from error
        except BaseException:
            await line.close()
            raise
        return line

    async def read(self) -> bytes:
        return await self._inbox.take()

    async def write(self, data: bytes) -> None:
        self._inbox.check()
        if self._transport is not None:
            self._transport.write(data)
        await self._room.wait()
        self._inbox.check()

    def reset_input(self) -> int:
        return self._inbox.clear()

    async def send_break(self, duration_s: float = 0.25) -> None:
        """Do nothing: a network has no break."""

    async def close(self) -> None:
        self._inbox.end(MeterLost(f"{self._url} was closed"))
        self._room.set()
        if self._transport is not None:
            self._transport.abort()
            await self._ended.wait()

    # Below: what the event loop tells.

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.Transport", transport)
        opened = transport.get_extra_info("socket")
        with contextlib.suppress(OSError):
            # Finds out in hours, not never, that a far end has gone without a word.
            opened.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)

    def data_received(self, data: bytes) -> None:
        if not self._inbox.put(data) and self._transport is not None:
            self._transport.pause_reading()

    def connection_lost(self, error: Exception | None) -> None:
        self._inbox.end(MeterLost(f"{self._url} is gone: {error or 'hung up'}"))
        self._room.set()
        self._ended.set()

    def pause_writing(self) -> None:
        self._room.clear()

    def resume_writing(self) -> None:
        self._room.set()

    def _resume(self) -> None:
        if self._transport is not None:
            self._transport.resume_reading()
