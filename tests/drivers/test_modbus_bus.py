"""Several Modbus meters on one line, in time that the test moves: turns, silence, noise, refusals."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from acquire.errors import MeterLost, MeterUnavailable
from acquire.meter import supervise
from acquire.readings import Event, Flag, Reading
from drivers.codecs.checksum import crc16_modbus
from drivers.inbox import Inbox
from drivers.modbus import Modbus

STEP_S = 0.015625  # exact in binary
ANSWER_S = 0.03125
PROFILE = """
driver = "modbus"
[poll]
interval_s = {interval_s}
timeout_s = 0.5
missed_answers = 3
[registers]
function = 4
[quantities.ph]
address = 0
unit = "pH"
factor = 0.01
resolution = 0.01
[quantities.temperature]
address = 1
type = "int16"
unit = "Cel"
factor = 0.1
resolution = 0.1
[quantities.orp]
address = 6
type = "int16"
unit = "mV"
resolution = 1
"""
REGISTERS = {0: 702, 1: 214, 6: 215, **dict.fromkeys(range(2, 6), 0)}


def sealed(*body: int) -> bytes:
    return bytes(body) + bytes.fromhex(crc16_modbus(bytes(body)))[::-1]


class FarEnd:
    """A line with devices on it. `holds` says which registers each has; no entry: nobody there."""

    def __init__(
        self,
        clock: Any,
        holds: dict[int, dict[int, int]],
        *,
        answer_s: float = ANSWER_S,
        echoes: bool = False,
        noise: bytes = b"",
        refusal: int | None = None,
    ) -> None:
        self.inbox = Inbox(on_room=lambda: None)
        self.holds = holds
        self.answer_s = answer_s
        self.slow: dict[int, float] = {}
        """Devices with a time to answer of their own."""
        self.echoes = echoes
        self.noise = noise
        self.refusal = refusal
        self.asked: list[tuple[float, int, int, int]] = []
        """Time, device, address and count of each request."""
        self.closed = False
        self.collisions = 0
        """Requests that were made before the last one was answered."""
        self._busy = 0
        self._clock = clock
        self._answers: set[asyncio.Task[None]] = set()

    async def read(self) -> bytes:
        return await self.inbox.take()

    async def write(self, data: bytes) -> None:
        self.inbox.check()
        assert sealed(*data[:-2]) == data
        now_s = self._clock.now().t_s
        device, _, address, count = data[0], data[1], data[3], data[5]
        self.asked.append((now_s, device, address, count))
        if self.echoes:
            self.inbox.put(data)
        if self.noise:
            self.inbox.put(self.noise)
        if device in self.holds:
            self.collisions += self._busy > 0
            self._busy += 1
            task = asyncio.ensure_future(self._answer(device, data[1], address, count))
            self._answers.add(task)
            task.add_done_callback(self._answers.discard)

    async def _answer(self, device: int, function: int, address: int, count: int) -> None:
        await self._clock.sleep(self.slow.get(device, self.answer_s))
        self._busy -= 1
        held = self.holds.get(device)
        if held is None:
            return
        wanted = range(address, address + count)
        if self.refusal is not None:
            said = sealed(device, function | 0x80, self.refusal)
        elif any(one not in held for one in wanted):
            said = sealed(device, function | 0x80, 2)
        else:
            words = b"".join(held[one].to_bytes(2, "big") for one in wanted)
            said = sealed(device, function, len(words), *words)
        self.inbox.put(said)

    def reset_input(self) -> int:
        return self.inbox.clear()

    async def send_break(self, duration_s: float = 0.25) -> None:
        raise AssertionError("a break")

    async def close(self) -> None:
        self.closed = True
        self.inbox.end(MeterLost("closed"))
        for task in list(self._answers):
            task.cancel()

    def times(self, device: int) -> list[float]:
        return [at for at, asked, _, _ in self.asked if asked == device]


class Street:
    """The line and the meters that are read over it."""

    def __init__(self, clock: Any, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.clock = clock
        self.lines: list[FarEnd] = []
        self.read: dict[str, list[Reading]] = {}
        self.events: dict[str, list[Event]] = {}
        self.holds: dict[int, dict[int, int]] = {}
        self.far_end: dict[str, Any] = {}
        """How the far ends are made that will be opened."""
        self._folder = folder
        self._tasks: list[asyncio.Task[Any]] = []
        (folder / "ttyBUS").touch()
        monkeypatch.setattr("drivers.modbus_bus.open_line", self._open)

    async def _open(self, port: str, wire: object) -> FarEnd:
        assert all(one.closed for one in self.lines), "a port has one owner"
        self.lines.append(FarEnd(self.clock, self.holds, **self.far_end))
        return self.lines[-1]

    @property
    def line(self) -> FarEnd:
        return self.lines[-1]

    def is_open(self) -> bool:
        return any(not one.closed for one in self.lines)

    def meter(self, name: str, device: int, interval_s: float = 1.0, **table: object) -> Modbus:
        file = self._folder / f"{name}.toml"
        file.write_text(PROFILE.format(interval_s=interval_s))
        settings = Modbus.Settings.model_validate(
            {"port": str(self._folder / "ttyBUS"), "profile": str(file), "device": device, **table}
        )
        return Modbus(settings, meter=name, clock=self.clock)  # type: ignore[arg-type]

    def watch(self, meter: Modbus) -> None:
        """Supervise it, as the program does."""
        read, events = (
            self.read.setdefault(meter._name, []),
            self.events.setdefault(meter._name, []),
        )

        async def publish(said: Reading | Event) -> None:
            (read if isinstance(said, Reading) else events).append(said)  # type: ignore[arg-type]

        work = supervise(meter, meter=meter._name, clock=self.clock, publish=publish, silence_s=30)
        self._tasks.append(asyncio.ensure_future(work))

    async def wait(self, seconds: float) -> None:
        await self.clock.advance(seconds, STEP_S)

    async def end(self) -> None:
        for task in self._tasks:
            task.cancel()
        for ended in await asyncio.gather(*self._tasks, return_exceptions=True):
            assert isinstance(ended, asyncio.CancelledError), ended


@pytest.fixture
async def street(
    fake_clock: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> AsyncIterator[Street]:
    made = Street(fake_clock, tmp_path, monkeypatch)
    yield made
    await made.end()


async def next_of(street: Street, readings: AsyncIterator[Reading], within_s: float = 3.0) -> Any:
    """What the meter gives next, a reading or an error, while time passes."""
    waiting = asyncio.ensure_future(anext(readings))
    for _ in range(int(within_s / STEP_S)):
        await street.clock.advance(STEP_S, STEP_S)
        if waiting.done():
            return waiting.result()
    waiting.cancel()
    return None


async def test_one_request_reads_registers_that_lie_apart(street: Street) -> None:
    street.holds[3] = REGISTERS
    meter = street.meter("sink", 3)
    async with meter.open() as readings:
        said = await next_of(street, readings)
        assert said.values == pytest.approx({"ph": 7.02, "temperature": 21.4, "orp": 215})
        assert said.raw == "4@0 02BE 00D6 0000 0000 0000 0000 00D7"
        assert meter.identity.endswith("/ttyBUS device 3")
        assert [one[1:] for one in street.line.asked] == [(3, 0, 7)]
    assert not street.is_open()


async def test_two_meters_share_the_line_and_never_ask_at_once(street: Street) -> None:
    street.holds |= {1: REGISTERS, 2: REGISTERS}
    street.watch(street.meter("a", 1, 0.125))
    street.watch(street.meter("b", 2, 0.125))
    await street.wait(10)
    assert street.line.collisions == 0
    assert len(street.lines) == 1
    for name in "ab":
        assert len(street.read[name]) >= 79
        assert not street.events[name]


async def test_the_line_is_quiet_for_three_and_a_half_characters_between_frames(
    street: Street,
) -> None:
    street.holds |= {1: REGISTERS, 2: REGISTERS}
    street.watch(street.meter("a", 1))
    street.watch(street.meter("b", 2))
    await street.wait(1)
    first, second = street.line.asked[:2]
    # 9600 bit/s, 11 bits a character (MODBUS over Serial Line V1.02, 2.5.1.1).
    assert second[0] - first[0] - ANSWER_S >= 3.5 * 11 / 9600


async def test_closing_one_meter_leaves_the_port_open_for_the_other(street: Street) -> None:
    street.holds |= {1: REGISTERS, 2: REGISTERS}
    a, b = street.meter("a", 1), street.meter("b", 2)
    async with a.open() as of_a:
        async with b.open() as of_b:
            assert await next_of(street, of_b)
        assert street.is_open()
        assert await next_of(street, of_a)
    assert not street.is_open()
    assert len(street.lines) == 1


async def test_other_serial_settings_on_an_open_line_are_refused(street: Street) -> None:
    a = street.meter("a", 1)
    b = street.meter("b", 2, serial={"baudrate": 19200, "parity": "even"})
    async with AsyncExitStack() as stack:
        await stack.enter_async_context(a.open())
        with pytest.raises(MeterUnavailable, match=r"RTU at 9600 8N1.*RTU at 19200 8E1"):
            await stack.enter_async_context(b.open())
        assert street.is_open()


# A silent meter.


async def rate_with(street: Street, interval_s: float, *, dead: bool) -> int:
    street.watch(street.meter("live", 1, interval_s))
    if dead:
        street.watch(street.meter("dead", 2))
    await street.wait(30)
    return len(street.read["live"])


async def test_a_dead_meter_costs_a_live_one_nothing(street: Street) -> None:
    street.holds[1] = REGISTERS
    street.watch(street.meter("dead", 2))
    assert await rate_with(street, 1.0, dead=False) == 30
    times = [one.stamp.t_s for one in street.read["live"]]
    # But for the start, when nobody knows yet that it is dead, every turn is on time.
    assert all(b - a == pytest.approx(1.0, abs=2 * STEP_S) for a, b in pairwise(times[2:]))
    assert [one.kind for one in street.events["dead"]] == ["meter_not_reached"]
    assert len(street.line.times(2)) > 6  # it is still asked, so that it can come back


async def test_a_dead_meter_hardly_costs_one_that_is_read_faster_than_its_time_out(
    street: Street,
) -> None:
    street.holds[1] = REGISTERS
    assert await rate_with(street, 0.25, dead=True) >= 0.96 * 30 / 0.25
    gaps = [b - a for a, b in pairwise(one.stamp.t_s for one in street.read["live"])]
    assert sorted(gaps)[int(0.95 * len(gaps))] <= 0.25 + 2 * STEP_S


async def test_a_meter_that_comes_back_is_read_within_five_seconds(street: Street) -> None:
    street.holds[1] = REGISTERS
    street.watch(street.meter("live", 1, 0.25))
    street.watch(street.meter("late", 2))
    await street.wait(20)
    assert [one.kind for one in street.events["late"]] == ["meter_not_reached"]
    street.holds[2] = REGISTERS
    await street.wait(5)
    assert street.read["late"]
    assert street.events["late"][-1].kind == "meter_back"


async def test_a_meter_slower_than_every_gap_still_comes_back(street: Street) -> None:
    street.holds[1] = REGISTERS
    street.watch(street.meter("live", 1, 0.25))
    street.watch(street.meter("slow", 2))
    await street.wait(10)
    street.holds[2] = REGISTERS
    street.line.slow[2] = 0.40625  # longer than the time between two turns of the other
    await street.wait(40)
    assert street.read["slow"]


async def test_silence_is_said_once_with_what_to_look_at(street: Street) -> None:
    meter = street.meter("sink", 3)
    async with meter.open() as readings:
        with pytest.raises(MeterLost, match=r"^device 3 does not answer at 9600 8N1: .*A and B"):
            await next_of(street, readings, 10)
    assert meter.missed_answers == 3
    assert meter.bad_frames == 0
    async with meter.open() as readings:  # known to be silent: one more request is enough
        with pytest.raises(MeterLost):
            await next_of(street, readings, 1)
        assert len(street.line.asked) == 1


async def test_an_answer_that_is_too_late_is_counted_and_never_a_value(street: Street) -> None:
    street.holds[3] = REGISTERS
    street.far_end["answer_s"] = 0.75
    meter = street.meter("sink", 3)
    async with meter.open() as readings:
        with pytest.raises(MeterLost, match=r"answers later than 0\.5 s: raise timeout_s"):
            await next_of(street, readings, 10)
    assert meter.late_answers == 2


async def test_an_answer_later_than_a_turn_is_not_taken_for_the_next_one(street: Street) -> None:
    street.holds[3] = REGISTERS
    street.far_end["answer_s"] = 1.25  # it would come while the next request waits
    meter = street.meter("sink", 3)
    async with meter.open() as readings:
        begun_s = street.clock.now().t_s
        waiting = asyncio.ensure_future(anext(readings))
        await street.wait(1)
        street.line.answer_s = ANSWER_S
        await street.wait(1.5)
        assert waiting.done()
        assert waiting.result().stamp.t_s - begun_s >= 2
        assert meter.late_answers == 1
        assert [at - begun_s for at in street.line.times(3)] == pytest.approx([0, 2], abs=STEP_S)


async def test_a_meter_that_misses_one_answer_does_not_wait_for_its_own_turn(
    street: Street,
) -> None:
    street.holds[3] = REGISTERS
    meter = street.meter("sink", 3)
    async with meter.open() as readings:
        assert await next_of(street, readings)
        del street.holds[3]
        waiting = asyncio.ensure_future(anext(readings))
        await street.wait(2)
        street.holds[3] = REGISTERS
        await street.wait(3)
        assert waiting.done()
        assert meter.missed_answers == 1


async def test_a_late_answer_of_one_device_does_not_disturb_the_next(street: Street) -> None:
    street.holds |= {1: REGISTERS, 2: REGISTERS}
    meter = street.meter("b", 2)
    async with meter.open() as readings:
        assert await next_of(street, readings)
        waiting = asyncio.ensure_future(anext(readings))
        while not waiting.done():
            asked = len(street.line.asked)
            await street.wait(STEP_S)
            if len(street.line.asked) > asked:
                street.line.inbox.put(sealed(1, 4, 14, *range(14)))
        assert waiting.result().values["ph"] == pytest.approx(7.02)
        assert meter.bad_frames == 0


# Noise.


async def test_noise_is_said_with_settings_to_try(street: Street) -> None:
    street.far_end["noise"] = b"\x00\xff\x92\x13"
    meter = street.meter("sink", 3)
    async with meter.open() as readings:
        with pytest.raises(
            MeterLost, match=r"^bytes arrive but none make sense at 9600 8N1; try 19200 8E1, 9600"
        ):
            await next_of(street, readings, 10)
    assert meter.bad_frames == 3


async def test_the_echo_of_an_adapter_is_neither_noise_nor_answer(street: Street) -> None:
    street.holds[3] = REGISTERS
    street.far_end["echoes"] = True
    there, absent = street.meter("there", 3), street.meter("absent", 4)
    async with there.open() as readings:
        assert (await next_of(street, readings)).values["ph"] == pytest.approx(7.02)
    async with absent.open() as readings:
        with pytest.raises(MeterLost, match="does not answer"):
            await next_of(street, readings, 10)
    assert there.bad_frames == absent.bad_frames == 0


# Refusals.


async def test_a_hole_in_the_registers_is_found_and_read_around(street: Street) -> None:
    street.holds[3] = {0: 702, 1: 214, 6: 215}
    meter = street.meter("sink", 3)
    async with meter.open() as readings:
        for _ in range(2):
            said = await next_of(street, readings)
            assert said.values == pytest.approx({"ph": 7.02, "temperature": 21.4, "orp": 215})
            assert said.flags == {}
    # One refusal, then two requests a turn: what was learned is kept.
    assert [one[2:] for one in street.line.asked] == [(0, 7), (0, 2), (6, 1), (0, 2), (6, 1)]


async def test_a_wrong_register_is_named_with_the_meters_own_exception(
    street: Street, caplog: pytest.LogCaptureFixture
) -> None:
    street.holds[3] = {0: 702, 1: 214}
    meter = street.meter("sink", 3)
    async with meter.open() as readings:
        for _ in range(3):
            said = await next_of(street, readings)
            assert said.values == pytest.approx({"ph": 7.02, "temperature": 21.4})
            assert said.flags == {"orp": Flag.ERROR}
            assert "function 4, address 6: illegal data address" in said.raw
        assert list(meter.refused) == ["orp"]
        assert len(caplog.messages) == 1
        assert "sink: the meter refuses orp: function 4, address 6: illegal" in caplog.messages[0]
        street.holds[3] = REGISTERS
        assert (await next_of(street, readings)).flags == {}
        assert meter.refused == {}


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (1, "illegal function"),
        (2, "illegal data address: it has no such register"),
        (4, "device failure"),
        (6, "device busy"),
        (11, "gateway target gives no response"),
    ],
)
async def test_a_meter_that_refuses_everything_is_lost_with_its_own_words(
    street: Street, code: int, words: str
) -> None:
    street.holds[3] = REGISTERS
    street.far_end["refusal"] = code
    meter = street.meter("sink", 3)
    async with meter.open() as readings:
        with pytest.raises(MeterLost, match=rf"device 3 refuses all: .*{words}.*exception {code}"):
            await next_of(street, readings)


# A lost link.


async def test_a_lost_link_is_lost_for_all_and_opened_once_for_all(street: Street) -> None:
    street.holds |= {1: REGISTERS, 2: REGISTERS}
    street.watch(street.meter("a", 1))
    street.watch(street.meter("b", 2))
    await street.wait(3)
    street.line.inbox.end(MeterLost("unplugged"))
    await street.wait(5)
    for name in "ab":
        assert [one.kind for one in street.events[name]] == ["meter_lost", "meter_back"]
        assert "unplugged" in street.events[name][0].text
    assert len(street.lines) == 2
