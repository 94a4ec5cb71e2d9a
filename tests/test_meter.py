from __future__ import annotations

import asyncio
import contextlib

import pytest
from pydantic import BaseModel

from acquire.errors import MeterLost, MeterUnavailable
from acquire.meter import Backoff, supervise
from acquire.readings import Channel, Event, Reading


class ScriptedDriver:
    """Each opening plays the next act: an exception at opening, or readings and what ends them."""

    Settings = BaseModel
    identity = ""
    channels = (Channel("ph", 0.01),)

    def __init__(self, clock, acts):
        self.clock = clock
        self.acts = list(acts)
        self.bad_frames = 0
        self.openings = []
        self.open_now = 0

    @contextlib.asynccontextmanager
    async def open(self):
        self.openings.append(self.clock.now().t_s)
        act = self.acts.pop(0) if self.acts else []
        if isinstance(act, Exception):
            raise act
        self.open_now += 1
        try:
            yield self._play(act)
        finally:
            self.open_now -= 1

    async def _play(self, act):
        for item in act:
            if isinstance(item, Exception):
                raise item
            if item == "garbage":
                self.bad_frames += 1
                await self.clock.sleep(1)
                continue
            await self.clock.sleep(1)
            yield Reading("m", self.clock.now(), {"ph": item})
        await self.clock.sleep(1e9)


@contextlib.asynccontextmanager
async def supervised(clock, driver, silence_s=30.0):
    said = []

    async def publish(item):
        said.append(item)

    task = asyncio.create_task(
        supervise(driver, meter="m", clock=clock, publish=publish, silence_s=silence_s)
    )
    try:
        yield said
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


def events(said, kind):
    return [item for item in said if isinstance(item, Event) and item.kind == kind]


async def test_a_lost_meter_is_opened_again_and_the_gap_is_told(fake_clock):
    driver = ScriptedDriver(fake_clock, [[7.0, MeterLost("unplugged")], [7.1, 7.1]])
    async with supervised(fake_clock, driver) as said:
        await fake_clock.advance(10)
    assert [r.values["ph"] for r in said if isinstance(r, Reading)] == [7.0, 7.1, 7.1]
    assert [e.text for e in events(said, "meter_lost")] == ["unplugged"]
    (back,) = events(said, "meter_back")
    assert 1.0 <= back.data["gap_s"] <= 5.0


async def test_a_port_missing_for_a_day_is_one_event_not_thousands(fake_clock):
    acts = [MeterUnavailable("no such port")] * 3000
    driver = ScriptedDriver(fake_clock, [*acts[:200], [7.0] * 1000])
    async with supervised(fake_clock, driver) as said:
        await fake_clock.advance(900, step_s=1.0)
    assert len(events(said, "meter_not_reached")) == 1
    assert not events(said, "meter_lost")
    assert len(events(said, "meter_back")) == 1


async def test_tries_come_at_most_five_seconds_apart_however_long_it_is_away(fake_clock):
    driver = ScriptedDriver(fake_clock, [MeterUnavailable("no such port")] * 500)
    async with supervised(fake_clock, driver):
        await fake_clock.advance(600)
    waits = [b - a for a, b in zip(driver.openings, driver.openings[1:], strict=False)]
    assert max(waits) <= 5.0
    assert waits[0] < 1.0


async def test_silence_opens_the_link_anew_and_closes_the_old_one(fake_clock):
    driver = ScriptedDriver(fake_clock, [[7.0], [7.0]])
    async with supervised(fake_clock, driver, silence_s=20) as said:
        await fake_clock.advance(60)
        assert driver.open_now == 1
    assert driver.open_now == 0
    assert "nothing heard for 20 s" in events(said, "meter_lost")[0].text


async def test_bytes_that_make_no_sense_are_told_apart_from_silence_and_soon(fake_clock):
    driver = ScriptedDriver(fake_clock, [["garbage"] * 100])
    async with supervised(fake_clock, driver, silence_s=20) as said:
        await fake_clock.advance(6)
        (hint,) = events(said, "bad_frames")
        assert "none of 4 lines makes sense" in hint.text
        await fake_clock.advance(19)
    assert "none make sense" in events(said, "meter_not_reached")[0].text


async def test_noise_that_goes_on_is_told_of_once_whatever_its_count(fake_clock):
    """Each silence counted another number of bad frames, which was an event of its own each time."""
    acts = [["garbage"] * (5 + n) for n in range(8)]
    async with supervised(fake_clock, ScriptedDriver(fake_clock, acts), silence_s=10.0) as said:
        await fake_clock.advance(200)
    told = [one.text for one in said if one.kind == "meter_not_reached"]
    noise = [text for text in told if "none make sense" in text]
    assert len(noise) == 1, told


@pytest.mark.parametrize("first", [[], [7.0]])
async def test_noise_that_has_gone_silent_is_told_as_silence(fake_clock, first):
    """What was counted in an earlier opening is no byte that arrives now."""
    driver = ScriptedDriver(fake_clock, [[*first, *["garbage"] * 5], [], []])
    async with supervised(fake_clock, driver, silence_s=10) as said:
        await fake_clock.advance(70)
    told = [one.text for one in said if isinstance(one, Event) and one.kind != "bad_frames"]
    assert len(told) == 2, told
    assert "none make sense (5 bad frames in 10 s)" in told[0]
    assert told[1] == "nothing heard for 10 s: is the meter switched on?"


async def test_bad_frames_are_told_at_most_once_a_minute(fake_clock):
    driver = ScriptedDriver(fake_clock, [["garbage", 7.0] * 100])
    async with supervised(fake_clock, driver) as said:
        await fake_clock.advance(190)
    assert len(events(said, "bad_frames")) in {3, 4}


async def test_a_bug_in_one_driver_is_told_and_its_meter_tried_again(fake_clock):
    driver = ScriptedDriver(fake_clock, [[7.0, ZeroDivisionError("oh")], [7.1]])
    async with supervised(fake_clock, driver) as said:
        await fake_clock.advance(6)
    assert "ZeroDivisionError: oh" in events(said, "meter_lost")[0].text
    assert [r.values["ph"] for r in said if isinstance(r, Reading)] == [7.0, 7.1]


async def test_a_loose_plug_is_told_of_in_a_burst_and_then_once_a_minute(fake_clock):
    acts = [[7.0, MeterLost("unplugged")]] * 2000
    driver = ScriptedDriver(fake_clock, acts)
    async with supervised(fake_clock, driver) as said:
        await fake_clock.advance(600, step_s=0.5)
    told = events(said, "meter_lost")
    assert 10 <= len(told) <= 21
    assert sum(e.data.get("untold", 0) for e in told) > 50
    assert len([r for r in said if isinstance(r, Reading)]) > 100


def test_waits_double_up_to_the_cap_and_are_cut_by_at_most_half():
    backoff = Backoff(first_s=1.0, most_s=8.0)
    longest = [backoff.wait_s(n, lambda: 0.0) for n in (1, 2, 3, 4, 5, 1000)]
    shortest = [backoff.wait_s(n, lambda: 1.0) for n in (1, 2, 3, 4, 5, 1000)]
    assert longest == [1, 2, 4, 8, 8, 8]
    assert shortest == [0.5, 1, 2, 4, 4, 4]


async def test_a_meter_that_is_over_is_told_once_and_never_opened_again(fake_clock):
    driver = ScriptedDriver(fake_clock, [[7.0, "garbage", MeterLost("it ended", is_over=True)]])
    async with supervised(fake_clock, driver) as said:
        await fake_clock.advance(100)
    assert [e.text for e in events(said, "meter_over")] == ["it ended"]
    assert not events(said, "meter_lost")
    assert [e.text for e in events(said, "bad_frames")] == ["1 bad frames skipped"]
    assert len(driver.openings) == 1
