"""Listening to a meter at settings nobody knows: wrong speeds, parity, silence, questions."""

from __future__ import annotations

import asyncio
import random

import pytest

from acquire.clock import SystemClock
from acquire.errors import ConfigError, MeterLost, MeterUnavailable
from drivers.learned import command_of, make_sense, whole_profile
from drivers.learning import HARMLESS, Ear
from drivers.learning_lines import judge
from drivers.line import line_opener
from drivers.profile import Profile, SerialSettings

LINE = b"pH 7.01 pH, EC 512 uS/cm, T 21.4 C\r\n"
SPEED = 100


def misread(data: bytes, times: float) -> bytes:
    """What a receiver at another speed makes of 8N1 bytes: the bits, sampled at wrong moments."""
    bits = [1] * 20
    for one in data:
        bits += [0, *((one >> place) & 1 for place in range(8)), 1]
    bits += [1] * 20
    out, at = bytearray(), 0.0
    while at < len(bits) - 1:
        if bits[int(at)] == 1:
            at += 0.1
            continue
        at += 0.5 / times  # the middle of the start bit
        got = 0
        for place in range(8):
            at += 1.0 / times
            got |= (bits[int(at)] if at < len(bits) else 1) << place
        out.append(got)
        at += 1.0 / times
        while at < len(bits) - 1 and bits[int(at)] == 0:
            at += 0.1
    return bytes(out)


class Wire:
    """A meter on a wire of its own speed, as any line may be opened to it."""

    def __init__(self, clock, *, baudrate=9600, parity="none", line=LINE, answers=None):
        self.clock = clock
        self.baudrate = baudrate
        self.parity = parity
        self.line = line
        self.answers = answers
        self.opened: list[SerialSettings] = []
        self.sent: list[bytes] = []
        self.due_s = clock.now().t_s + 1.0
        self.asleep_s = 0.08
        self.tasks: list[asyncio.Task[None]] = []
        self.open_now = 0
        self._waiting: asyncio.Queue[bytes] = asyncio.Queue()

    async def open(self, port, settings):
        self.opened.append(settings)
        self.open_now += 1
        self._waiting = asyncio.Queue()
        return self

    def _received(self, data: bytes) -> bytes:
        settings = self.opened[-1]
        if self.parity != "none":
            odd = self.parity == "odd"
            with_parity = bytes(one | (((one.bit_count() & 1) ^ odd) << 7) for one in data)
            data = data if settings.data_bits == 7 else with_parity
        if settings.baudrate != self.baudrate:
            data = misread(data, settings.baudrate / self.baudrate)
        return data

    async def read(self):
        if self.answers is not None:
            return await self._waiting.get()
        # By the clock, so that a read that was given up costs no line.
        self.due_s = max(self.due_s, self.clock.now().t_s - 0.5)
        await self.clock.sleep(self.due_s - self.clock.now().t_s)
        self.due_s += 1.0
        return self._received(self.line)

    async def write(self, data):
        self.sent.append(data)
        if self.opened[-1].baudrate == self.baudrate and data in (self.answers or {}):
            late_s, self.asleep_s = self.asleep_s, 0.08
            answer = self._received(self.answers[data])
            self.tasks.append(asyncio.create_task(self._say_later(late_s, answer)))

    async def _say_later(self, after_s, data):
        await self.clock.sleep(after_s)
        self._waiting.put_nowait(data)

    def reset_input(self):
        dropped = 0
        while not self._waiting.empty():
            dropped += len(self._waiting.get_nowait())
        return dropped

    async def send_break(self, duration_s=0.25):
        raise AssertionError

    async def close(self):
        self.open_now -= 1


class Bench:
    def __init__(self, speed=SPEED, **wire):
        self.clock = SystemClock(speed)
        self.wire = Wire(self.clock, **wire)
        self.said: list[str] = []
        self.ear = Ear("/dev", self.clock, self.said.append)

    async def run(self, work):
        token = line_opener.set(self.wire.open)
        try:
            async with asyncio.timeout(10):
                return await work
        finally:
            line_opener.reset(token)
            assert self.wire.open_now == 0, "a line was left open"


async def test_what_comes_at_the_most_common_settings_is_heard_at_once():
    bench = Bench()
    heard = await bench.run(bench.ear.listen(12.0))
    assert len(bench.wire.opened) == 1
    assert heard.settings == SerialSettings()
    assert heard.poll is None
    found = make_sense(heard)
    assert [one.quantity for one in found.chosen] == ["ph", "conductivity", "temperature"]
    profile = Profile.model_validate(whole_profile(found, heard))
    assert profile.serial == SerialSettings()


@pytest.mark.parametrize("baudrate", [19200, 115200, 4800, 2400, 57600])
async def test_another_speed_is_found_and_the_tries_are_told(baudrate):
    bench = Bench(baudrate=baudrate)
    heard = await bench.run(bench.ear.listen(8.0))
    assert heard.settings.baudrate == baudrate
    assert make_sense(heard).chosen
    assert bench.said[0] == "listening at 9600 8N1 ..."
    assert bench.said[1] == "bytes arrive but none make sense at 9600 8N1; trying 19200 8N1 ..."


@pytest.mark.parametrize("times", [0.25, 0.5, 2.0, 4.0, 12.0, 2 / 12, 6.0])
def test_text_read_at_a_wrong_speed_is_never_taken_for_text(times):
    draw = random.Random(3)
    for _ in range(50):
        text = f"pH {draw.uniform(0, 14):.2f} pH, EC {draw.randrange(2000)} uS/cm\r\n".encode()
        assert judge(misread(text * 3, times)) == "noise"


def test_the_misreading_of_this_test_reads_the_right_speed_rightly():
    assert misread(LINE, 1.0) == LINE


@pytest.mark.parametrize(("parity", "name"), [("even", "7E1"), ("odd", "7O1")])
async def test_parity_is_seen_in_the_bytes_themselves(parity, name):
    bench = Bench(parity=parity, baudrate=4800)
    heard = await bench.run(bench.ear.listen(8.0))
    assert (heard.settings.data_bits, heard.settings.parity) == (7, parity)
    assert heard.settings.baudrate == 4800
    assert any(name in text for text in bench.said)
    assert make_sense(heard).chosen


async def test_bytes_that_make_no_sense_anywhere_are_shown_escaped_with_what_to_do():
    bench = Bench(line=b"\x01\x03\x0a\x1b[31m\x9c\xff\xd3\x02\x88")
    bench.wire._received = lambda data: data
    with pytest.raises(MeterUnavailable) as error:
        await bench.run(bench.ear.listen(8.0))
    text = str(error.value)
    assert "none make sense" in text
    assert "\\x01\\x03" in text
    assert "\x1b" not in text
    assert "manual" in text
    assert len(bench.wire.opened) == 8


async def test_silence_is_noticed_once_because_it_is_the_same_at_every_speed():
    bench = Bench(answers={})
    assert await bench.run(bench.ear.listen(8.0)) is None
    assert len(bench.wire.opened) == 1


@pytest.mark.parametrize("baudrate", [9600, 19200])
async def test_a_meter_that_must_be_asked_is_asked_with_what_sets_nothing(baudrate):
    answers = {b"READ\r\n": b"?\r\n", b"MEAS?\r\n": b"7.01,21.4\r\n"}
    bench = Bench(20, baudrate=baudrate, answers=answers)
    heard = await bench.run(bench.ear.ask(HARMLESS, 8.0))
    assert heard.command == b"MEAS?\r\n"
    assert heard.settings.baudrate == baudrate
    assert set(bench.wire.sent) <= set(HARMLESS)
    profile = Profile.model_validate(whole_profile(make_sense(heard), heard))
    assert profile.poll is not None
    assert profile.poll.command == b"MEAS?\r\n"
    # Never less than half a second, and a multiple of what the answer took: on a busy machine the
    # clock of this test, twenty times as fast, makes seconds of it. Never more than was waited.
    assert 0.5 <= profile.poll.timeout_s <= 8.0


async def test_an_answer_so_late_that_it_meets_the_next_command_is_not_taken_for_its_answer():
    bench = Bench(20, answers={b"READ\r\n": b"7.01,21.4\r\n"})
    bench.wire.asleep_s = 1.5  # just woken: the first answer takes its time
    heard = await bench.run(bench.ear.ask(HARMLESS, 8.0))
    assert heard.command == b"READ\r\n"


async def test_an_answer_that_is_an_error_is_no_reading():
    bench = Bench(answers=dict.fromkeys(HARMLESS, b"ERR 1\r\n"))
    assert await bench.run(bench.ear.ask(HARMLESS, 8.0)) is None
    assert any("ERR 1: no reading" in text for text in bench.said)


async def test_listening_can_go_on_while_the_probe_is_moved():
    bench = Bench()
    heard = await bench.run(bench.ear.listen(4.0))
    before = len(make_sense(heard).lines.texts)
    await bench.run(bench.ear.more(heard, 6.0))
    assert len(make_sense(heard).lines.texts) > before + 3


def test_what_cannot_be_understood_shows_the_lines_escaped():
    async def hear():
        bench = Bench(line=b"hello world, this is no meter but a clock: 1\x1b\r\n")
        return await bench.run(bench.ear.listen(4.0))

    heard = asyncio.run(hear())
    with pytest.raises(MeterLost) as error:
        make_sense(heard)
    assert "control characters" in str(error.value)
    assert "a clock: 1\\x1b" in str(error.value)
    assert "\x1b" not in str(error.value)
    assert "docs/profiles.md" in str(error.value)


def test_a_command_is_written_with_escapes():
    assert command_of(r"READ\r\n") == b"READ\r\n"
    assert command_of(r"\x05") == b"\x05"
    for wrong in ("", "µ", r"\q", "x" * 65):
        with pytest.raises(ConfigError, match="--command"):
            command_of(wrong)
