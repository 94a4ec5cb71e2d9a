"""A line over a URL port: a thread reads what has no file descriptor the event loop could watch."""

from __future__ import annotations

import asyncio
import contextlib
import queue
import threading
import time
from collections.abc import Callable, Mapping
from typing import Any

from acquire.errors import MeterLost
from drivers.access import Port, port_errors, pyserial, unavailable
from drivers.inbox import Inbox

__all__ = ["UrlLine"]

_READ_S = 0.05
"""The thread looks up this often: how late a write or a close may be."""
_CHUNK = 4096


class UrlLine:
    """One thread owns the port from opening to closing; it always ends by itself after `close`."""

    def __init__(self, port: str, options: Mapping[str, Any]) -> None:
        self._port = port
        self._options = options
        self._loop = asyncio.get_running_loop()
        self._opened: asyncio.Future[None] = self._loop.create_future()
        self._ended: asyncio.Future[None] = self._loop.create_future()
        self._stop = threading.Event()
        self._room = threading.Event()
        self._room.set()
        self._orders: queue.SimpleQueue[tuple[Callable[[Port], object], asyncio.Future[None]]] = (
            queue.SimpleQueue()
        )
        self._inbox = Inbox(on_room=self._room.set)
        self._thread = threading.Thread(target=self._run, name=f"line {port}", daemon=True)

    @classmethod
    async def opened(cls, port: str, options: Mapping[str, Any]) -> UrlLine:
        """Open the URL; MeterUnavailable says why not."""
        line = cls(port, options)
        line._thread.start()
        try:
            await line._opened
        except BaseException:
            await line.close()
            raise
        return line

    async def read(self) -> bytes:
        return await self._inbox.take()

    async def write(self, data: bytes) -> None:
        await self._order(lambda port: port.write(data))

    def reset_input(self) -> int:
        return self._inbox.clear()

    async def send_break(self, duration_s: float = 0.25) -> None:
        await self._order(lambda port: port.send_break(duration_s))

    async def close(self) -> None:
        self._stop.set()
        self._room.set()
        self._inbox.end(MeterLost(f"{self._port} was closed"))
        with contextlib.suppress(TimeoutError):
            # The thread ends anyway; a caller in a hurry need not wait for a far end that is not.
            async with asyncio.timeout(1.0):
                await asyncio.shield(self._ended)

    async def _order(self, order: Callable[[Port], object]) -> None:
        """Have the thread do something with the port, which it alone touches."""
        self._inbox.check()
        done: asyncio.Future[None] = self._loop.create_future()
        self._orders.put((order, done))
        await done

    def _put(self, data: bytes) -> None:
        if self._inbox.put(data):
            self._room.set()

    def _is_over(self, lost: MeterLost) -> None:
        self._inbox.end(lost)
        while not self._orders.empty():
            _fail(self._orders.get()[1], lost)

    # Below: the thread. It reaches the rest only through `_tell`.

    def _run(self) -> None:
        errors: tuple[type[Exception], ...] = (*port_errors(), ValueError)
        try:
            port = pyserial().serial_for_url(
                self._port, timeout=_READ_S, write_timeout=1.0, exclusive=True, **self._options
            )
        except errors as error:
            self._tell(_fail, self._opened, unavailable(self._port, error))
        else:
            self._tell(_finish, self._opened)
            why: object = "closed"
            try:
                self._serve(port, errors)
            except errors as error:
                why = error
            self._tell(self._is_over, MeterLost(f"{self._port} is gone: {why}"))
            with contextlib.suppress(*errors):
                port.close()
        self._tell(_finish, self._ended)

    def _serve(self, port: Port, errors: tuple[type[Exception], ...]) -> None:
        while not self._stop.is_set():
            while not self._orders.empty():
                order, done = self._orders.get()
                try:
                    order(port)
                except errors as error:
                    self._tell(_fail, done, MeterLost(f"{self._port} is gone: {error}"))
                    raise
                self._tell(_finish, done)
            data = self._read(port)
            if data:
                # One chunk at a time is on its way, so a busy reader holds the far end back.
                self._room.wait()
                self._room.clear()
                self._tell(self._put, data)

    def _read(self, port: Port) -> bytes:
        """Read what is there, after waiting a moment for the first byte.

        Asking for more than has come would wait out the time, and would lose the last bytes before
        a far end hangs up.
        """
        data = bytearray(port.read(1))
        deadline = time.monotonic() + _READ_S
        while data and len(data) < _CHUNK and time.monotonic() < deadline:
            try:
                waiting = port.in_waiting
                if not waiting:
                    break
                data += port.read(min(waiting, _CHUNK - len(data)))
            except OSError:
                break  # it shows again at the next read, once these bytes are delivered
        return bytes(data)

    def _tell(self, call: Callable[..., None], *arguments: object) -> None:
        with contextlib.suppress(RuntimeError):  # the loop has ended: nobody listens any more
            self._loop.call_soon_threadsafe(call, *arguments)


def _finish(future: asyncio.Future[None]) -> None:
    if not future.done():
        future.set_result(None)


def _fail(future: asyncio.Future[None], error: Exception) -> None:
    if not future.done():
        future.set_exception(error)
