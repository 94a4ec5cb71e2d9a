"""A line over TCP: bytes both ways, a far end that hangs up or never listens, nothing left behind."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import pytest

from acquire.errors import MeterLost, MeterUnavailable, Unavailable
from drivers.inbox import BUFFER_LIMIT
from drivers.line import Line, open_line
from drivers.profile import SerialSettings
from drivers.tcp_line import TcpLine

Talk = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


@asynccontextmanager
async def served(talk: Talk) -> AsyncIterator[Line]:
    async def once(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(ConnectionError):
            await talk(reader, writer)
        writer.close()

    server = await asyncio.start_server(once, "127.0.0.1", 0)
    line = await open_line(
        f"tcp://127.0.0.1:{server.sockets[0].getsockname()[1]}", SerialSettings()
    )
    try:
        assert isinstance(line, TcpLine)
        yield line
    finally:
        await line.close()
        server.close()
        await server.wait_closed()
        await asyncio.sleep(0.01)


async def echo(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    while data := await reader.read(1000):
        writer.write(data)
        await writer.drain()


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


async def test_bytes_go_both_ways_unchanged() -> None:
    every = bytes(range(256))
    async with served(echo) as line, asyncio.timeout(2):
        await line.write(every)
        got = b""
        while len(got) < 256:
            got += await line.read()
        assert got == every
        assert line.reset_input() == 0


async def test_a_far_end_that_hangs_up_is_meter_lost_after_its_last_words() -> None:
    async def say(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"last words")

    async with served(say) as line, asyncio.timeout(2):
        assert await line.read() == b"last words"
        with pytest.raises(MeterLost, match="is gone: hung up"):
            await line.read()
        with pytest.raises(MeterLost):
            await line.write(b"x")


async def test_closing_wakes_the_reader_and_may_be_repeated() -> None:
    async with served(echo) as line:
        reading = asyncio.ensure_future(line.read())
        await asyncio.sleep(0)
        await line.close()
        await line.close()
        with pytest.raises(MeterLost, match="closed"):
            await reading


@pytest.mark.parametrize("host", ["127.0.0.1", "no-such-host.invalid"])
async def test_nothing_there_says_so(host: str) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with pytest.raises(MeterUnavailable, match="no answer") as caught:
        await open_line(f"tcp://{host}:{port}", SerialSettings())
    assert caught.value.reason is Unavailable.MISSING


async def test_a_flood_is_held_back_in_bounded_memory_and_not_lost() -> None:
    size = 4_000_000

    async def flood(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"x" * size)
        await writer.drain()

    async with served(flood) as line, asyncio.timeout(5):
        await asyncio.sleep(0.05)
        got = 0
        while got < size:
            chunk = len(await line.read())
            assert chunk <= BUFFER_LIMIT + 256 * 1024  # one more piece of the event loop's
            got += chunk


async def test_a_far_end_that_does_not_read_is_waited_for_until_closing() -> None:
    release = asyncio.Event()

    async def deaf(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await release.wait()

    async with served(deaf) as line:
        writing = asyncio.ensure_future(line.write(b"x" * 20_000_000))
        await asyncio.sleep(0.02)
        assert not writing.done()
        await line.close()
        with pytest.raises(MeterLost):
            await writing
        release.set()


async def test_a_hundred_openings_leave_no_files_behind() -> None:
    async with served(echo):
        pass
    files = open_files()
    for _ in range(100):
        async with served(echo) as line:
            await line.write(b"x")
            assert await line.read() == b"x"
    assert open_files() == files


async def test_giving_up_while_connecting_leaves_no_file() -> None:
    files = open_files()
    server = await asyncio.start_server(lambda _, writer: writer.close(), "127.0.0.1", 0)
    url = f"tcp://127.0.0.1:{server.sockets[0].getsockname()[1]}"
    for turns in range(6):
        opening = asyncio.create_task(open_line(url, SerialSettings()))
        for _ in range(turns):
            await asyncio.sleep(0)
        opening.cancel()
        with suppress(asyncio.CancelledError):
            await (await opening).close()
    server.close()
    await server.wait_closed()
    await asyncio.sleep(0.02)
    assert open_files() == files
