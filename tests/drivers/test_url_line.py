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


async def test_a_far_end_that_babbles_while_nobody_reads_is_held_back() -> None:
    sent = 0

    async def babble(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal sent
        raw = writer.transport.get_extra_info("socket")
        raw.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
        while True:
            writer.write(b"U" * 4096)
            await writer.drain()
            sent += 4096

    async with served(babble) as line:
        before = -1
        while sent != before:
            before = sent
            for _ in range(10):
                await asyncio.sleep(0.04)
        assert sent > BUFFER_LIMIT
        assert len(await line.read()) < BUFFER_LIMIT + 4096 + 1
        assert len(await line.read()) >= 1  # and it goes on


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
