"""A meter that answers when asked: its schedule in time that the test moves, then on a wire."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from acquire.errors import MeterLost
from drivers.codecs.dialects import POLL_COMMAND, POLL_REFUSED, encode_polled
from drivers.inbox import Inbox
from drivers.profile import find_profile
from drivers.text_lines import TextLines

# The polled profile: every 1.0 s, time-out 0.5 s, lost after 5 missed answers.
STEP_S = 0.125  # exact in binary, as is every time below
OTHERS = ("orp", "conductivity", "tds", "salinity", "specific_gravity", "temperature")


def answer(ph: float) -> bytes:
    return encode_polled({"ph": ph, **dict.fromkeys(OTHERS, 1.0)})


class WatchedLine:
    """A line whose far end is the test's: what is written is noted with the time."""

    def __init__(self, clock: Any) -> None:
        self.inbox = Inbox(on_room=lambda: None)
        self.heard: list[float] = []
        self._clock = clock

    async def read(self) -> bytes:
        return await self.inbox.take()

    async def write(self, data: bytes) -> None:
        assert data == POLL_COMMAND
        self.inbox.check()
        self.heard.append(self._clock.now().t_s)

    def reset_input(self) -> int:
        return self.inbox.clear()

    async def send_break(self, duration_s: float = 0.25) -> None:
        raise AssertionError("a break")

    async def close(self) -> None:
        self.inbox.end(MeterLost("closed"))


class Bench:
    """The meter's side and the clock: lets time pass, hears the commands, answers."""

    def __init__(self, driver: TextLines, line: WatchedLine, clock: Any) -> None:
        self.driver = driver
        self.line = line
        self.clock: Any = clock
        self.readings: Any = None
        self.started_s = clock.now().t_s

    def ask(self) -> asyncio.Future[Any]:
        future: asyncio.Future[Any] = asyncio.ensure_future(anext(self.readings))
        return future

    async def asked(self, within_s: float = 1.0) -> float | None:
        """Let time pass until a command comes; give the time it came, None if none did."""
        await self.clock.settle()
        end_s = self.clock.now().t_s + within_s
        while not self.line.heard and self.clock.now().t_s < end_s:
            await self.clock.advance(STEP_S, STEP_S)
        return self.line.heard.pop(0) - self.started_s if self.line.heard else None

    async def wait(self, seconds: float) -> None:
        await self.clock.advance(seconds, STEP_S)

    async def say(self, data: bytes) -> None:
        self.line.inbox.put(data)
        await self.clock.settle()


@pytest.fixture
def bench(make_driver: Any, fake_clock: Any, monkeypatch: pytest.MonkeyPatch) -> Any:
    @asynccontextmanager
    async def opened() -> AsyncIterator[Bench]:
        line = WatchedLine(fake_clock)

        async def open_line(_port: str, _settings: object) -> WatchedLine:
            return line

        monkeypatch.setattr("drivers.text_lines.open_line", open_line)
        b = Bench(make_driver("watched://", "polled", fake_clock), line, fake_clock)
        async with b.driver.open() as b.readings:
            yield b

    return opened


async def test_the_meter_is_asked_and_its_answer_read(bench: Any) -> None:
    async with bench() as b:
        reading = b.ask()
        assert await b.asked() == 0.0
        await b.say(answer(7.01))
        assert (await reading).values["ph"] == 7.01


async def test_an_answer_may_come_in_pieces(bench: Any) -> None:
    async with bench() as b:
        reading = b.ask()
        await b.asked()
        for piece in (answer(7.01)[:10], answer(7.01)[10:]):
            await b.say(piece)
        assert (await reading).values["ph"] == 7.01


async def test_asking_keeps_to_its_schedule_however_long_answers_take(bench: Any) -> None:
    async with bench() as b:
        times = []
        for delay_s in (0.0, 0.375, 0.125, 0.25):
            reading = b.ask()
            times.append(await b.asked())
            await b.wait(delay_s)
            await b.say(answer(7.0))
            assert (await reading).stamp.t_s - b.started_s == pytest.approx(times[-1] + delay_s)
        assert times == [0.0, 1.0, 2.0, 3.0]


async def test_turns_that_a_busy_consumer_lets_pass_are_left_out_not_caught_up(bench: Any) -> None:
    async with bench() as b:
        times = []
        for busy_s in (3.375, 0.0, 0.0):
            reading = b.ask()
            times.append(await b.asked())
            await b.say(answer(7.0))
            await reading
            await b.wait(busy_s)
        assert times == [0.0, 3.375, 4.0]


async def test_an_answer_after_its_time_out_is_missed_and_never_paired_with_the_next_command(
    bench: Any,
) -> None:
    async with bench() as b:
        reading = b.ask()
        await b.asked()
        await b.wait(0.75)
        await b.say(answer(4.0))  # 0.25 s too late
        assert await b.asked() == 1.0
        await b.say(answer(7.0))
        assert (await reading).values["ph"] == 7.0
        assert (b.driver.missed_answers, b.driver.late_answers) == (1, 1)


async def test_an_answer_later_than_a_whole_turn_is_not_taken_for_the_next_one(bench: Any) -> None:
    async with bench() as b:
        reading = b.ask()
        assert await b.asked() == 0.0
        await b.wait(1.25)
        await b.say(answer(4.0))  # would come 0.25 s after the next command
        assert await b.asked() == 2.0  # that turn was spent listening
        await b.say(answer(7.0))
        assert (await reading).values["ph"] == 7.0
        assert b.driver.late_answers == 1


async def test_a_second_answer_is_dropped_and_counted(bench: Any) -> None:
    async with bench() as b:
        reading = b.ask()
        await b.asked()
        await b.say(answer(7.0) + answer(4.0))
        assert (await reading).values["ph"] == 7.0
        reading = b.ask()
        await b.asked()
        await b.say(answer(7.1))
        assert (await reading).values["ph"] == 7.1
        assert b.driver.late_answers == 1


async def test_a_damaged_answer_is_a_bad_frame_and_a_missed_answer(bench: Any) -> None:
    async with bench() as b:
        reading = b.ask()
        await b.asked()
        await b.say(answer(7.0).replace(b"PH=7", b"PH=4"))
        assert await b.asked(3.0) == 2.0
        await b.say(answer(7.0))
        assert (await reading).values["ph"] == 7.0
        assert (b.driver.bad_frames, b.driver.missed_answers) == (1, 1)


async def test_half_an_answer_does_not_run_into_the_next(bench: Any) -> None:
    async with bench() as b:
        reading = b.ask()
        await b.asked()
        await b.say(answer(4.0)[:20])
        assert await b.asked(3.0) is not None
        await b.say(answer(7.0))
        assert (await reading).values["ph"] == 7.0
        assert b.driver.bad_frames == 0


async def test_a_silent_meter_is_lost_after_five_missed_answers(bench: Any) -> None:
    async with bench() as b:
        reading = b.ask()
        times = []
        while not reading.done():
            times.append(await b.asked(2.0))
        assert times[:5] == [0.0, 2.0, 4.0, 6.0, 8.0]
        with pytest.raises(MeterLost, match="no usable answer to 5 commands in a row"):
            await reading
        assert b.driver.missed_answers == 5


async def test_one_good_answer_starts_the_count_of_missed_ones_anew(bench: Any) -> None:
    async with bench() as b:
        for _ in range(3):
            reading = b.ask()
            for _ in range(4):
                assert await b.asked(2.0) is not None
            await b.wait(1.0)
            assert await b.asked(2.0) is not None
            await b.say(answer(7.0))
            assert (await reading).values["ph"] == 7.0


async def test_a_meter_that_does_not_know_the_command_is_lost_with_its_own_words(
    bench: Any,
) -> None:
    async with bench() as b:
        reading = b.ask()
        while not reading.done():
            if await b.asked(2.0) is not None:
                await b.say(POLL_REFUSED)
        with pytest.raises(MeterLost, match=r"the last line was: \?$"):
            await reading
        assert b.driver.bad_frames == 5


async def test_a_meter_that_is_always_late_is_lost_with_the_advice_to_wait_longer(
    bench: Any,
) -> None:
    async with bench() as b:
        reading = b.ask()
        while not reading.done():
            if await b.asked(2.0) is not None:
                await b.wait(0.625)
                if not reading.done():
                    await b.say(answer(7.0))
        with pytest.raises(MeterLost, match=r"raise timeout_s"):
            await reading


async def test_what_came_before_the_first_command_is_no_answer(bench: Any) -> None:
    async with bench() as b:
        await b.say(answer(4.0))
        reading = b.ask()
        await b.asked()
        await b.say(answer(7.0))
        assert (await reading).values["ph"] == 7.0


# Over a real pty, in real time, with a profile that is in a hurry.


@pytest.fixture
def hasty(tmp_path: Path) -> str:
    text = find_profile("polled").read_text()
    text = text.replace("interval_s = 1.0", "interval_s = 0.05")
    text = text.replace("timeout_s = 0.5", "timeout_s = 0.04")
    path = tmp_path / "hasty.toml"
    path.write_text(text)
    return str(path)


async def test_a_meter_on_a_wire_is_asked_again_after_a_missed_answer(
    plugged_in: Any, hasty: str
) -> None:
    async with plugged_in(hasty) as meter:
        reading = asyncio.ensure_future(meter.next())
        assert await meter.heard() == POLL_COMMAND
        assert await meter.heard() == POLL_COMMAND
        meter.say(answer(7.01))
        assert (await reading).values["ph"] == 7.01
        assert meter.driver.missed_answers >= 1


async def test_a_silent_meter_on_a_wire_is_lost(plugged_in: Any, hasty: str) -> None:
    async with plugged_in(hasty) as meter:
        with pytest.raises(MeterLost, match="no usable answer"):
            await meter.next()
        assert meter.driver.missed_answers == 5


async def test_unplugging_while_an_answer_is_awaited_is_meter_lost(plugged_in: Any) -> None:
    async with plugged_in("polled") as meter:
        reading = asyncio.ensure_future(meter.next())
        await meter.heard()
        meter.unplug()
        async with asyncio.timeout(0.5):
            with pytest.raises(MeterLost, match="is gone"):
                await reading
