from __future__ import annotations

import asyncio
import contextlib
import random

import pytest

from acquire.errors import ConfigError
from drivers.codecs.checksum import xor8
from simulators.speech import DIALECTS, LineFaults, find_dialect, speak
from tests.shown import SHOWN


class Wire:
    """Keeps what is sent; the test says what the host asks."""

    def __init__(self):
        self.sent = []
        self.asked = asyncio.Queue()

    def send(self, data):
        self.sent.append(data)
        return len(data)

    async def receive(self):
        return await self.asked.get()


@contextlib.asynccontextmanager
async def speaking(clock, dialect, show=lambda: SHOWN, **changes):
    wire = Wire()
    task = asyncio.create_task(speak(wire, DIALECTS[dialect], show, clock=clock, **changes))
    await clock.settle()
    yield wire
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task


async def test_a_free_running_meter_speaks_at_its_rate(fake_clock):
    async with speaking(fake_clock, "labelled", rate_hz=2.0) as wire:
        await fake_clock.advance(10.0)
        assert len(wire.sent) == 21
    assert wire.sent[0] == (
        b"pH 7.01 pH, ORP 215 mV, EC 512 uS/cm, TDS 256 ppm, SAL 0.03 %, SG 1.000, T 21.4 C\r\n"
    )


async def test_columns_are_as_agreed(fake_clock):
    async with speaking(fake_clock, "columns") as wire:
        pass
    assert wire.sent == [b"7,01;215;512;256;0,03;1,000;21,4\n"]


async def test_after_the_machine_has_slept_lines_are_left_out_not_sent_in_a_burst(fake_clock):
    async with speaking(fake_clock, "columns", rate_hz=1.0) as wire:
        await fake_clock.advance(3600.0, step_s=3600.0)
        assert len(wire.sent) == 2
        await fake_clock.advance(5.0)
        assert len(wire.sent) == 7


async def test_a_polled_meter_answers_each_command_in_time_and_says_nothing_else(fake_clock):
    async with speaking(fake_clock, "polled") as wire:
        await fake_clock.advance(10.0)
        assert wire.sent == []
        wire.asked.put_nowait(b"REA")
        await fake_clock.advance(1.0)
        wire.asked.put_nowait(b"D\r\n")
        await fake_clock.advance(0.3, step_s=0.1)
        (answer,) = wire.sent
    body, check = answer.rstrip(b"\r\n").split(b"*")
    assert body == b"PH=7.01 MV=215 EC=512 TDS=256 SAL=0.03 SG=1.000 TC=21.4"
    assert check.decode() == xor8(body)
    assert answer.endswith(b"\r\n")


@pytest.mark.parametrize(
    "asked", [b"HELLO\r\n", b"read\r\n", b"\xff\x00\x80\r\n", b"READ READ\r\n"]
)
async def test_unknown_commands_are_refused(fake_clock, asked):
    async with speaking(fake_clock, "polled") as wire:
        wire.asked.put_nowait(asked)
        await fake_clock.advance(0.3, step_s=0.1)
        assert wire.sent == [b"?\r\n"]


async def test_a_flood_without_an_end_is_one_unknown_command_and_little_memory(fake_clock):
    async with speaking(fake_clock, "polled") as wire:
        for _ in range(200):
            wire.asked.put_nowait(b"A" * 4096)
        wire.asked.put_nowait(b"\r\nREAD\r\n")
        await fake_clock.advance(1.0)
        assert len(wire.sent) == 2
        assert wire.sent[0] == b"?\r\n"
        assert wire.sent[1].startswith(b"PH=7.01")


async def test_a_flood_of_commands_is_answered_only_as_far_as_a_meter_remembers(fake_clock):
    async with speaking(fake_clock, "polled") as wire:
        wire.asked.put_nowait(b"READ\r\n" * 600)
        await fake_clock.advance(60.0)
        assert len(wire.sent) == 8


def test_an_unknown_dialect_names_those_there_are():
    with pytest.raises(ConfigError, match="labelled, columns, polled"):
        find_dialect("morse")


LINE = b"7,01;215;512;256;0,03;1,000;21,4\n"


@pytest.mark.parametrize(
    ("faults", "holds"),
    [
        (LineFaults(silence=1.0), lambda said: said == b""),
        (LineFaults(half=1.0), lambda said: len(said) < len(LINE) and LINE.startswith(said)),
        (LineFaults(stutter=1.0), lambda said: said == LINE * 2),
        (LineFaults(garbage=1.0), lambda said: said.endswith(LINE) and len(said) > len(LINE)),
        (
            LineFaults(flip=1.0),
            lambda said: sum((a ^ b).bit_count() for a, b in zip(said, LINE, strict=True)) == 1,
        ),
        (LineFaults(), lambda said: said == LINE),
    ],
)
def test_a_bad_wire_does_what_it_is_asked_to(faults, holds):
    draw = random.Random(1)
    assert all(holds(faults.spoil(LINE, draw)) for _ in range(200))


def test_faults_come_at_their_chance():
    draw = random.Random(1)
    faults = LineFaults(silence=0.1)
    silent = sum(faults.spoil(LINE, draw) == b"" for _ in range(5000))
    assert 400 < silent < 600


def test_all_faults_at_once_raise_nothing():
    draw = random.Random(1)
    faults = LineFaults(0.3, 0.3, 0.3, 0.3, 0.3)
    assert len({faults.spoil(LINE, draw) for _ in range(500)}) > 100
