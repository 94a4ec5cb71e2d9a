from __future__ import annotations

import asyncio
import os
import pty
import sys
import termios
import threading
import tracemalloc
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from acquire.errors import MeterLost, MeterUnavailable, Unavailable
from drivers.line import BUFFER_LIMIT, Line, open_line
from drivers.profile import SerialSettings

PLAIN = SerialSettings()


class Wire:
    """A pty: the far end is ours, the near end has a path a line can be opened on."""

    def __init__(self) -> None:
        self.far, near = pty.openpty()
        self.path = os.ttyname(near)
        self._near: int | None = near  # else the far end hangs up before anyone opens it

    def let_go(self) -> None:
        if self._near is not None:
            os.close(self._near)
            self._near = None

    def unplug(self) -> None:
        self.let_go()
        if self.far >= 0:
            os.close(self.far)
            self.far = -1


@asynccontextmanager
async def plugged() -> AsyncIterator[tuple[Wire, Line]]:
    wire = Wire()
    try:
        line = await open_line(wire.path, PLAIN)
        wire.let_go()
        try:
            yield wire, line
        finally:
            await line.close()
    finally:
        wire.unplug()


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


async def test_bytes_go_both_ways_unchanged() -> None:
    every = bytes(range(256))
    async with plugged() as (wire, line):
        os.write(wire.far, every)
        got = b""
        while len(got) < 256:
            got += await line.read()
        assert got == every
        await line.write(every)
        assert os.read(wire.far, 1000) == every


async def test_unplugging_is_noticed_at_once() -> None:
    async with plugged() as (wire, line):
        reading = asyncio.create_task(line.read())
        await asyncio.sleep(0)
        wire.unplug()
        async with asyncio.timeout(0.5):
            with pytest.raises(MeterLost, match="is gone"):
                await reading
        with pytest.raises(MeterLost):
            await line.write(b"x")
        assert line.reset_input() == 0


async def test_what_came_before_the_unplugging_is_still_read() -> None:
    async with plugged() as (wire, line):
        os.write(wire.far, b"last words")
        await asyncio.sleep(0.01)
        wire.unplug()
        assert await line.read() == b"last words"
        with pytest.raises(MeterLost):
            await line.read()


async def test_writing_to_a_port_that_is_gone_raises_meter_lost() -> None:
    async with plugged() as (wire, line):
        os.close(wire.far)
        wire.far = -1
        with pytest.raises(MeterLost):
            await line.write(b"READ\r\n")


async def test_a_second_opening_is_refused_and_names_the_holder() -> None:
    async with plugged() as (wire, _):
        with pytest.raises(MeterUnavailable, match=rf"taken by PID {os.getpid()}") as caught:
            await open_line(wire.path, PLAIN)
        assert caught.value.reason is Unavailable.TAKEN


HOLD = """
import fcntl, os, sys
port = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
fcntl.flock(port, fcntl.LOCK_EX)
print(flush=True)
sys.stdin.read()
"""


async def test_a_holder_that_is_another_program_is_named() -> None:
    wire = Wire()
    pipe = asyncio.subprocess.PIPE
    holder = await asyncio.create_subprocess_exec(
        sys.executable, "-c", HOLD, wire.path, stdin=pipe, stdout=pipe
    )
    try:
        assert holder.stdout is not None
        await holder.stdout.readline()
        with pytest.raises(MeterUnavailable, match=rf"taken by PID {holder.pid} \(python"):
            await open_line(wire.path, PLAIN)
    finally:
        await holder.communicate(b"")
        wire.unplug()


async def test_a_path_that_is_missing_or_no_port_says_so(tmp_path: Path) -> None:
    with pytest.raises(MeterUnavailable) as missing:
        await open_line(str(tmp_path / "tty"), PLAIN)
    assert missing.value.reason is Unavailable.MISSING
    (tmp_path / "file").touch()
    with pytest.raises(MeterUnavailable, match="not a serial port") as wrong:
        await open_line(str(tmp_path / "file"), PLAIN)
    assert wrong.value.reason is Unavailable.SETTINGS


async def test_the_settings_reach_the_port() -> None:
    wire = Wire()
    line = await open_line(wire.path, SerialSettings(baudrate=19200, stop_bits=2, flow="xonxoff"))
    try:
        iflag, _, cflag, lflag, _, speed, characters = termios.tcgetattr(wire.far)
        assert speed == termios.B19200
        assert cflag & termios.CSTOPB
        assert iflag & termios.IXON
        assert not lflag & (termios.ICANON | termios.ECHO)
        assert characters[termios.VMIN] in {1, b"\x01"}
    finally:
        await line.close()
        wire.unplug()


async def test_reset_input_drops_what_has_come() -> None:
    async with plugged() as (wire, line):
        os.write(wire.far, b"late answer")
        await asyncio.sleep(0.01)
        assert line.reset_input() == 11
        os.write(wire.far, b"new")
        assert await line.read() == b"new"


async def test_closing_twice_is_harmless_and_wakes_the_reader() -> None:
    async with plugged() as (_, line):
        reading = asyncio.create_task(line.read())
        await asyncio.sleep(0)
        await line.close()
        await line.close()
        with pytest.raises(MeterLost, match="closed"):
            await reading


async def test_a_port_that_babbles_while_nobody_reads_is_held_back() -> None:
    async with plugged() as (wire, line):
        os.set_blocking(wire.far, False)
        sent, idle = 0, 0
        while idle < 20:
            try:
                sent += os.write(wire.far, b"U" * 4096)
                idle = 0
                await asyncio.sleep(0)
            except BlockingIOError:
                idle += 1  # the kernel carries bytes over in its own time
                await asyncio.sleep(0.005)
        assert BUFFER_LIMIT <= sent < BUFFER_LIMIT + 64 * 1024
        got = await line.read()
        assert len(got) == BUFFER_LIMIT
        while len(got) < sent:  # and it goes on where it stopped
            got += await line.read()
        assert got == b"U" * sent


async def test_a_hundred_openings_leave_no_files_threads_or_memory_behind() -> None:
    wire = Wire()
    try:
        await (await open_line(wire.path, PLAIN)).close()
        files, threads = open_files(), threading.active_count()
        tracemalloc.start()
        before = tracemalloc.get_traced_memory()[0]
        for _ in range(100):
            line = await open_line(wire.path, PLAIN)
            await line.close()
            await asyncio.sleep(0)
        grown = tracemalloc.get_traced_memory()[0] - before
        tracemalloc.stop()
        assert open_files() == files
        assert threading.active_count() == threads
        assert grown < 200_000
    finally:
        wire.unplug()


async def test_a_refused_opening_leaves_no_files_behind() -> None:
    async with plugged() as (wire, _):
        files = open_files()
        for _ in range(20):
            with pytest.raises(MeterUnavailable):
                await open_line(wire.path, PLAIN)
        assert open_files() == files


async def test_a_break_can_be_sent() -> None:
    async with plugged() as (_, line):
        await line.send_break(0.001)


async def test_a_big_write_waits_for_room_and_arrives_whole() -> None:
    async with plugged() as (wire, line):
        data = bytes(range(256)) * 400
        writing = asyncio.create_task(line.write(data))
        got = b""
        os.set_blocking(wire.far, False)
        while len(got) < len(data):
            await asyncio.sleep(0)
            try:
                got += os.read(wire.far, 65536)
            except BlockingIOError:
                continue
        await writing
        assert got == data
