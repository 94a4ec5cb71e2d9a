"""A line: bytes from and to an opened port, whatever kind of port it is.

Foreign errors stop here: opening raises `MeterUnavailable`, everything after it `MeterLost`.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
from collections.abc import Awaitable, Callable
from contextvars import ContextVar
from typing import Any, Protocol, runtime_checkable

from acquire.errors import MeterLost
from drivers.access import Port, port_errors, pyserial, unavailable
from drivers.inbox import BUFFER_LIMIT, Inbox
from drivers.ports import is_url
from drivers.profile import SerialSettings

__all__ = ["BUFFER_LIMIT", "Line", "TimedLine", "line_opener", "open_line", "open_port"]


class Line(Protocol):
    """What a driver may do with an opened port. One task reads it."""

    async def read(self) -> bytes:
        """Give the bytes that have come, at least one; wait for them. MeterLost when it is gone."""
        ...

    async def write(self, data: bytes) -> None:
        """Hand all the bytes to the port. MeterLost when it is gone."""
        ...

    def reset_input(self) -> int:
        """Drop what has come and was not read; give how many bytes that were, as far as known."""
        ...

    async def send_break(self, duration_s: float = 0.25) -> None:
        """Hold the line in the break state, in seconds of real time."""
        ...

    async def close(self) -> None:
        """Let go of the port. May be called again."""
        ...


@runtime_checkable
class TimedLine(Protocol):
    """A line that is recorded or played, and knows the times that stand in the recording.

    What a driver decides by time it decides by these: then it decides the same each time.
    """

    @property
    def waited_s(self) -> float:
        """Seconds from the opening to the bytes that were read last."""
        ...


line_opener: ContextVar[Callable[[str, SerialSettings], Awaitable[Line]] | None] = ContextVar(
    "line_opener", default=None
)
"""What opens lines instead of `open_port` in this context: a recorder, a recording, a test."""


async def open_line(port: str, settings: SerialSettings) -> Line:
    """Open a path or URL as `drivers.ports.resolve` gives it; MeterUnavailable says why not."""
    opener = line_opener.get()
    return await (open_port if opener is None else opener)(port, settings)


async def open_port(port: str, settings: SerialSettings) -> Line:
    """Open the port itself, whoever listens in."""
    if port.startswith("tcp://"):
        from drivers.tcp_line import TcpLine  # noqa: PLC0415  (asyncio's own, no thread)

        return await TcpLine.opened(port)
    if is_url(port) or os.name != "posix":
        from drivers.url_line import UrlLine  # noqa: PLC0415  (threads only where needed)

        return await UrlLine.opened(port, serial_options(settings))
    refusals: tuple[type[Exception], ...] = (*port_errors(), ValueError)
    try:
        # VMIN 1 by inter_byte_timeout: an empty read then means hung up, never "nothing yet".
        opened: Port = pyserial().Serial(
            port, exclusive=True, timeout=0, inter_byte_timeout=0, **serial_options(settings)
        )
    except refusals as error:
        raise unavailable(port, error) from error
    try:
        return PosixLine(opened, port)
    except BaseException:
        opened.close()
        raise


def serial_options(settings: SerialSettings) -> dict[str, Any]:
    """Say the settings in pyserial's words."""
    return {
        "baudrate": settings.baudrate,
        "bytesize": settings.data_bits,
        "parity": settings.parity[0].upper(),
        "stopbits": settings.stop_bits,
        "rtscts": settings.flow == "rtscts",
        "xonxoff": settings.flow == "xonxoff",
    }


class PosixLine:
    """A tty read by the event loop itself."""

    def __init__(self, opened: Port, port: str) -> None:
        self._serial = opened
        self._port = port
        self._loop = asyncio.get_running_loop()
        self._fd: int = opened.fileno()
        self._errors = port_errors()
        self._is_reading = False
        self._inbox = Inbox(on_room=self._resume)
        self._resume()

    async def read(self) -> bytes:
        return await self._inbox.take()

    async def write(self, data: bytes) -> None:
        rest = memoryview(data)
        while rest:
            self._inbox.check()
            try:
                rest = rest[os.write(self._fd, rest) :]
            except BlockingIOError:
                await self._writable()
            except OSError as error:
                raise self._lose(error) from error

    def reset_input(self) -> int:
        dropped = self._inbox.clear()
        if not self._inbox.is_over:
            with contextlib.suppress(*self._errors):  # a lost port shows at the next read
                self._serial.reset_input_buffer()
        return dropped

    async def send_break(self, duration_s: float = 0.25) -> None:
        self._inbox.check()
        try:
            self._serial.break_condition = True
            try:
                await asyncio.sleep(duration_s)
            finally:
                self._serial.break_condition = False
        except self._errors as error:
            raise self._lose(error) from error

    async def close(self) -> None:
        self._pause()
        self._inbox.end(MeterLost(f"{self._port} was closed"))
        # The kernel would wait up to 30 s for a far end that holds back what was not sent yet.
        with contextlib.suppress(*self._errors):
            self._serial.reset_output_buffer()
        with contextlib.suppress(*self._errors):  # it may be gone already
            self._serial.close()

    def _readable(self) -> None:
        try:
            data = os.read(self._fd, min(4096, self._inbox.room))
        except (BlockingIOError, InterruptedError):
            return
        except OSError as error:
            self._lose(error)
            return
        if not data:
            self._lose(None)
        elif not self._inbox.put(data):
            self._pause()

    def _lose(self, error: BaseException | None) -> MeterLost:
        why = "hung up" if error is None else str(error)
        lost = MeterLost(f"{self._port} is gone: {why}")
        self._pause()
        self._inbox.end(lost)
        return lost

    def _pause(self) -> None:
        if self._is_reading:
            self._is_reading = False
            self._loop.remove_reader(self._fd)

    def _resume(self) -> None:
        if not self._is_reading:
            self._is_reading = True
            self._loop.add_reader(self._fd, self._readable)

    async def _writable(self) -> None:
        ready: asyncio.Future[None] = self._loop.create_future()
        self._loop.add_writer(self._fd, _finish, ready)
        try:
            await ready
        finally:
            self._loop.remove_writer(self._fd)


def _finish(future: asyncio.Future[None]) -> None:
    if not future.done():
        future.set_result(None)
