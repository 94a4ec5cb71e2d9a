from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from acquire.errors import MeterLost, MeterUnavailable, Unavailable
from drivers.inbox import BUFFER_LIMIT
from drivers.line import Line, open_line
from drivers.profile import SerialSettings

PLAIN = SerialSettings()
Talk = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


@asynccontextmanager
async def served(talk: Talk) -> AsyncIterator[Line]:
    """A line to a server on this machine that talks to its one client."""
    talking: set[asyncio.Task[None]] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        talking.add(task)
        try:
            await talk(reader, writer)
        finally:
            talking.discard(task)
            writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    try:
        line = await open_line(f"socket://127.0.0.1:{port}", PLAIN)
        try:
            yield line
        finally:
            await line.close()
    finally:
        for task in list(talking):
            task.cancel()
        server.close()
        await server.wait_closed()


async def echo(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    while data := await reader.read(1000):
        writer.write(data)
        await writer.drain()


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def line_threads() -> list[str]:
    return [one.name for one in threading.enumerate() if one.name.startswith("line ")]


async def test_bytes_go_both_ways_unchanged() -> None:
    every = bytes(range(256))
    async with served(echo) as line:
        await line.write(every)
        got = b""
        while len(got) < 256:
            got += await line.read()
        assert got == every


async def test_a_far_end_that_hangs_up_is_meter_lost_after_its_last_words() -> None:
    async def say(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1)  # opening a port drops what was said before
        writer.write(b"last words\r\n")
        await writer.drain()

    async with served(say) as line:
        await line.write(b"?")
        async with asyncio.timeout(0.5):
            got = b""
            while len(got) < 12:
                got += await line.read()
            assert got == b"last words\r\n"
            with pytest.raises(MeterLost, match="is gone"):
                await line.read()
        with pytest.raises(MeterLost):
            await line.write(b"x")


async def test_nothing_listening_says_so() -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with pytest.raises(MeterUnavailable, match="no answer") as caught:
        await open_line(f"socket://127.0.0.1:{port}", PLAIN)
    assert caught.value.reason is Unavailable.MISSING
    await _no_threads()


@pytest.mark.parametrize("url", ["nonsense://x", "socket://127.0.0.1", "socket://127.0.0.1:x"])
async def test_a_url_that_makes_no_sense_says_so(url: str) -> None:
    with pytest.raises(MeterUnavailable, match="cannot be opened"):
        await open_line(url, PLAIN)
    await _no_threads()


async def _no_threads() -> None:
    for _ in range(50):
        if not line_threads():
            return
        await asyncio.sleep(0.01)
    raise AssertionError(line_threads())


async def test_closing_ends_the_thread_and_wakes_the_reader() -> None:
    async with served(echo) as line:
        reading = asyncio.create_task(line.read())
        await asyncio.sleep(0)
        await line.close()
        await line.close()
        with pytest.raises(MeterLost, match="closed"):
            await reading
        await _no_threads()


async def test_giving_up_while_the_connection_is_made_leaves_no_thread() -> None:
    opening = asyncio.create_task(open_line("loop://", PLAIN))
    await asyncio.sleep(0)
    opening.cancel()
    with pytest.raises(asyncio.CancelledError):
        await opening
    await _no_threads()


async def test_a_hundred_openings_leave_no_files_and_no_threads_behind() -> None:
    files = open_files()
    for _ in range(10):
        lines = [await open_line("loop://", PLAIN) for _ in range(10)]
        await asyncio.gather(*(line.close() for line in lines))
    await _no_threads()
    assert open_files() == files


class Opened:
    """A URL port as pyserial would open it, with a far end that never pauses."""

    def __init__(self, last_bytes: int | None = None) -> None:
        self.given = 0
        self.is_closed = False
        self._last_bytes = last_bytes

    @property
    def in_waiting(self) -> int:
        return 4096

    def read(self, size: int) -> bytes:
        if self._last_bytes is not None:
            size = min(size, self._last_bytes - self.given)
            if not size:
                raise OSError("hung up")
        self.given += size
        return b"U" * size

    def close(self) -> None:
        self.is_closed = True


async def line_to(opened: Opened, monkeypatch: pytest.MonkeyPatch) -> Line:
    class Library:
        SerialException = OSError

        @staticmethod
        def serial_for_url(_url: str, **_options: object) -> Opened:
            return opened

    monkeypatch.setattr("drivers.url_line.pyserial", lambda: Library)
    return await open_line("made-up://", PLAIN)


async def test_a_far_end_that_babbles_while_nobody_reads_is_held_back(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    opened = Opened()
    line = await line_to(opened, monkeypatch)
    try:
        for _ in range(10):
            await asyncio.sleep(0.01)
        held = opened.given
        assert BUFFER_LIMIT <= held <= BUFFER_LIMIT + 3 * 4096
        await asyncio.sleep(0.03)
        assert opened.given == held
        assert BUFFER_LIMIT <= len(await line.read()) <= held
        assert len(await line.read()) > 0  # and it goes on
    finally:
        await line.close()
    assert opened.is_closed


async def test_the_last_bytes_before_a_hang_up_are_read(monkeypatch: pytest.MonkeyPatch) -> None:
    line = await line_to(Opened(last_bytes=100), monkeypatch)
    try:
        got = b""
        while len(got) < 100:
            got += await line.read()
        with pytest.raises(MeterLost, match="hung up"):
            await line.read()
    finally:
        await line.close()


async def test_what_came_can_be_dropped_and_a_break_sent() -> None:
    line = await open_line("loop://", PLAIN)
    try:
        await line.write(b"late")
        for _ in range(100):
            await asyncio.sleep(0.005)
            if line.reset_input() == 4:
                break
        else:
            raise AssertionError("nothing came")
        await line.send_break(0.001)
        await line.write(b"new")
        assert await line.read() == b"new"
    finally:
        await line.close()
