"""Over real pseudo-terminals, opened the way another process would."""

from __future__ import annotations

import asyncio
import contextlib
import os
import termios
import time

import pytest
import serial

from acquire.errors import ConfigError
from simulators.pty_front import PtyFront


@contextlib.contextmanager
def opened(path):
    terminal = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        yield terminal
    finally:
        os.close(terminal)


async def test_what_is_sent_is_read_on_the_other_side_byte_for_byte():
    every = bytes(range(256))
    async with PtyFront() as front:
        with opened(front.path) as terminal:
            assert front.send(every) == 256
            assert os.read(terminal, 1000) == every
            os.write(terminal, every)
            assert await front.receive() == every


async def test_it_is_raw_with_eight_bits_and_no_parity():
    async with PtyFront() as front:
        with opened(front.path) as terminal:
            _, oflag, cflag, lflag, *_ = termios.tcgetattr(terminal)
            assert cflag & termios.CSIZE == termios.CS8
            assert not cflag & termios.PARENB
            assert not lflag & (termios.ECHO | termios.ICANON | termios.ISIG)
            assert not oflag & termios.OPOST


async def test_pyserial_reads_it_as_a_port():
    async with PtyFront() as front:
        port = await asyncio.to_thread(
            lambda: serial.Serial(front.path, 9600, timeout=2, exclusive=True)
        )
        with port:
            front.send(b"7,01;215\n")
            assert await asyncio.to_thread(port.readline) == b"7,01;215\n"
            port.write(b"READ\r\n")
            assert await front.receive() == b"READ\r\n"


async def test_nothing_old_waits_for_whoever_opens_it():
    async with PtyFront() as front:
        assert not front.is_open
        assert front.send(b"to nobody\n") == 0
        assert front.dropped == 10
        with opened(front.path) as terminal:
            assert front.is_open
            front.send(b"to you\n")
            assert os.read(terminal, 100) == b"to you\n"
        assert not front.is_open
        assert front.send(b"to nobody again\n") == 0


async def test_a_reader_that_never_reads_holds_nothing_up():
    async with PtyFront() as front:
        with opened(front.path) as terminal:
            begun = time.monotonic()
            for _ in range(20_000):
                front.send(b"x" * 50)
            assert time.monotonic() - begun < 5.0
            assert front.dropped > 500_000
            taken = 0
            with contextlib.suppress(BlockingIOError):
                while data := os.read(terminal, 65_536):
                    taken += len(data)
            assert taken + front.dropped == 1_000_000
            assert front.send(b"and on\n") == 7


async def test_readers_may_come_and_go_while_it_waits():
    async with PtyFront() as front:
        for word in (b"one", b"two"):
            waiting = asyncio.create_task(front.receive())
            await asyncio.sleep(0.01)
            with opened(front.path) as terminal:
                os.write(terminal, word)
                assert await asyncio.wait_for(waiting, 5.0) == word


async def test_waiting_with_nobody_there_does_not_spin():
    async with PtyFront() as front:
        waiting = asyncio.create_task(front.receive())
        begun = time.process_time()
        for _ in range(10):
            await asyncio.sleep(0.02)
        assert time.process_time() - begun < 0.1
        waiting.cancel()


async def test_pulling_the_plug_hangs_up_and_plugging_in_makes_a_new_port(tmp_path):
    link = tmp_path / "probe"
    async with PtyFront(link) as front:
        with opened(front.path) as terminal:
            front.unplug()
            assert os.read(terminal, 10) == b""
            with pytest.raises(OSError, match="Input/output"):
                os.write(terminal, b"READ\r\n")
            assert not link.is_symlink()
            assert front.send(b"lost\n") == 0
            front.plug()
        with opened(link) as terminal:
            front.send(b"back\n")
            assert os.read(terminal, 100) == b"back\n"


async def test_a_waiting_receive_survives_the_plug_being_pulled():
    async with PtyFront() as front:
        with opened(front.path):
            waiting = asyncio.create_task(front.receive())
            await asyncio.sleep(0.01)
            front.unplug()
            await asyncio.sleep(0.01)
            assert not waiting.done()
        front.plug()
        with opened(front.path) as terminal:
            os.write(terminal, b"again")
            assert await asyncio.wait_for(waiting, 5.0) == b"again"


async def test_the_link_points_at_the_port_and_goes_with_it(tmp_path):
    link = tmp_path / "probe"
    async with PtyFront(link) as front:
        assert front.path == str(link)
        assert link.is_char_device()
        assert list(tmp_path.iterdir()) == [link]
    assert not link.is_symlink()


async def test_the_link_goes_even_when_the_body_fails(tmp_path):
    link = tmp_path / "probe"
    with pytest.raises(RuntimeError):
        async with PtyFront(link):
            raise RuntimeError
    assert not link.is_symlink()


async def test_a_link_left_by_a_killed_simulator_is_replaced(tmp_path):
    link = tmp_path / "probe"
    link.symlink_to("/dev/pts/99999")
    async with PtyFront(link):
        assert link.is_char_device()


async def test_a_link_taken_over_by_another_simulator_is_left_to_it(tmp_path):
    link = tmp_path / "probe"
    async with PtyFront(link) as first, PtyFront(link) as second:
        first.unplug()
        assert link.is_char_device()
        with opened(link) as terminal:
            second.send(b"mine\n")
            assert os.read(terminal, 10) == b"mine\n"


@pytest.mark.parametrize("kind", ["file", "folder", "link to a file", "no folder"])
async def test_it_never_replaces_what_is_not_a_port(tmp_path, kind):
    link = tmp_path / "probe"
    other = tmp_path / "notes.txt"
    other.write_text("mine", encoding="utf-8")
    if kind == "file":
        link.write_text("mine", encoding="utf-8")
    elif kind == "folder":
        link.mkdir()
    elif kind == "link to a file":
        link.symlink_to(other)
    else:
        link = tmp_path / "nowhere" / "probe"
    before = sorted(tmp_path.iterdir())
    with pytest.raises(ConfigError, match="probe"):
        async with PtyFront(link):
            pass
    assert sorted(tmp_path.iterdir()) == before
    assert other.read_text(encoding="utf-8") == "mine"


def first_free_descriptor():
    descriptor = os.dup(0)
    os.close(descriptor)
    return descriptor


async def test_it_leaves_no_file_open():
    before = first_free_descriptor()
    for _ in range(20):
        async with PtyFront() as front:
            front.unplug()
            front.plug()
    assert first_free_descriptor() == before
