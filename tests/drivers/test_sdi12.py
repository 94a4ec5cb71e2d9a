"""The SDI-12 driver against simulated sensors, in time that the test moves."""

from __future__ import annotations

import asyncio
import itertools
import logging
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack
from pathlib import Path
from typing import Any

import pytest

from acquire.errors import MeterLost, MeterUnavailable
from acquire.meter import supervise
from acquire.readings import Channel, Event, Flag, Reading
from drivers.codecs.sdi12 import CHARACTER_S
from drivers.inbox import Inbox
from drivers.sdi12 import Sdi12
from simulators.sdi12_front import Sdi12Faults, Sdi12Front
from simulators.sdi12_sensor import Sdi12Sensor
from simulators.speech import LineFaults
from tests.shown import SHOWN

PORT = "[adapter]\nbreak_by = 'port'\n"
PH = "[quantities.ph]\nplace = 1\nunit = 'pH'\nresolution = 0.01\n"


class Cable:
    """A line whose far end is the front: both in one, and everything noted with its time."""

    def __init__(self, clock: Any) -> None:
        self.inbox = Inbox(on_room=lambda: None)
        self.sent: list[tuple[float, str]] = []
        """Commands, and "break" at the end of each."""
        self.front: Sdi12Front | None = None
        self.echoes = False
        self.closed = 0
        self._clock = clock
        self._to_front: asyncio.Queue[bytes] = asyncio.Queue()

    async def read(self) -> bytes:
        return await self.inbox.take()

    async def write(self, data: bytes) -> None:
        self.inbox.check()
        text = bytes(byte & 0x7F for byte in data).decode()
        self.sent.append((self._clock.now().t_s, text))
        self._to_front.put_nowait(data)
        if self.echoes:
            self.inbox.put(data)

    def reset_input(self) -> int:
        return self.inbox.clear()

    async def send_break(self, duration_s: float = 0.25) -> None:
        assert duration_s >= 0.012
        await self._clock.sleep(duration_s)
        self.sent.append((self._clock.now().t_s, "break"))
        if self.front is not None:
            self.front.hear_break()

    async def close(self) -> None:
        self.closed += 1
        self.inbox.end(MeterLost("closed"))

    def send(self, data: bytes) -> int:
        if not self.inbox.is_over:
            self.inbox.put(data)
        return len(data)

    async def receive(self) -> bytes:
        return await self._to_front.get()

    @property
    def commands(self) -> list[str]:
        return [text for _, text in self.sent if text != "break"]


class Bench:
    """Sensors, a cable, drivers; time passes only here."""

    def __init__(self, clock: Any, folder: Path) -> None:
        self.clock = clock
        self.folder = folder
        self.shown: dict[str, Any] = dict(SHOWN)
        self.cables: list[Cable] = []
        self.sensors: list[Sdi12Sensor] = []
        self.front_options: dict[str, Any] = {}
        self.fronts: list[Sdi12Front] = []
        self.echoes = False
        self.tasks: list[asyncio.Task[Any]] = []

    def sensor(self, address: str = "0", **options: Any) -> Sdi12Sensor:
        self.sensors.append(Sdi12Sensor(address, lambda: dict(self.shown), **options))
        return self.sensors[-1]

    async def open_line(self, _port: str, _wire: object) -> Cable:
        cable = Cable(self.clock)
        cable.echoes = self.echoes
        self.cables.append(cable)
        cable.front = Sdi12Front(cable, self.sensors, clock=self.clock, **self.front_options)
        self.fronts.append(cable.front)
        self.tasks.append(asyncio.create_task(cable.front.serve()))
        return cable

    def driver(self, profile: str = "described", **table: Any) -> Sdi12:
        if "\n" in profile:
            path = self.folder / f"p{len(list(self.folder.iterdir()))}.toml"
            path.write_text("driver = 'sdi12'\n" + profile)
            profile = str(path)
        table = {"port": "watched://", "profile": profile, **table}
        return Sdi12(Sdi12.Settings.model_validate(table), meter="bench", clock=self.clock)  # type: ignore[arg-type]

    async def run(self, work: Any, within_s: float = 60.0) -> Any:
        """Let time pass, from one due moment to the next, until the work is done."""
        task = asyncio.ensure_future(work)
        self.tasks.append(task)
        end_s = self.clock.now().t_s + within_s
        await self.clock.settle()
        while not task.done() and self.clock.now().t_s < end_s:
            await self.step(end_s)
        assert task.done(), "it takes too long"
        return await task

    async def step(self, end_s: float) -> None:
        now_s = self.clock._mono_s
        if any(due <= now_s for due, _ in self.clock._sleepers):  # slept for no time at all
            self.clock._wake()
            await self.clock.settle()
            return
        waits = [due for due, _ in [*self.clock._sleepers, *self.clock._timeouts] if due > now_s]
        step_s = min([*waits, end_s]) - now_s
        await self.clock.advance(step_s, step_s)  # which lets every task have its turn

    async def wait(self, seconds: float) -> None:
        await self.run(self.clock.sleep(seconds), seconds + 1)

    async def entered(self, stack: AsyncExitStack, driver: Sdi12) -> AsyncIterator[Reading]:
        """Open in a task of its own, as `supervise` does, and leave with the stack."""
        return await self.run(stack.enter_async_context(driver.open()))  # type: ignore[no-any-return]

    async def read(self, driver: Sdi12, count: int = 1, within_s: float = 120.0) -> list[Reading]:
        async def work() -> list[Reading]:
            async with driver.open() as readings:
                return [await anext(readings) for _ in range(count)]

        return await self.run(work(), within_s)  # type: ignore[no-any-return]


@pytest.fixture
async def bench(
    fake_clock: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> AsyncIterator[Bench]:
    asyncio.get_running_loop().set_debug(False)  # a trace for each of a hundred thousand turns
    b = Bench(fake_clock, tmp_path)
    monkeypatch.setattr("drivers.sdi12_bus.open_line", b.open_line)
    yield b
    for task in b.tasks:
        task.cancel()
    await asyncio.gather(*b.tasks, return_exceptions=True)


def measure(*commands: str, **keys: object) -> str:
    rest = "".join(f"{key} = {value}\n" for key, value in keys.items())
    return f"[measure]\ncommands = {list(commands)}\n{rest}"


# A sensor that describes itself.


async def test_a_sensor_of_version_1_4_names_quantities_and_units_by_itself(bench: Bench) -> None:
    bench.sensor()
    driver = bench.driver()
    assert driver.channels == ()
    (reading,) = await bench.read(driver)
    assert reading.values == SHOWN
    assert reading.flags == {}
    assert reading.raw.startswith("0+7.01+215+512+256+0.3+1.000+21.4")
    assert driver.channels == tuple(
        Channel(name, resolution)
        for name, resolution in zip(SHOWN, (0.01, 1, 1, 1, 0.1, 0.001, 0.1), strict=True)
    )
    assert driver.identity == "watched://#0 OUZEL BROOK 001 0000001"


async def test_units_of_the_sensor_become_ours(bench: Bench) -> None:
    sensor = bench.sensor()
    sensor.descriptions["temperature"] = ("Temp", "Degrees  F", 1)
    sensor.descriptions["conductivity"] = ("EC", "dS/m", 3)
    bench.shown |= {"temperature": 70.0, "conductivity": 1.413}
    driver = bench.driver()
    (reading,) = await bench.read(driver)
    assert reading.values["temperature"] == pytest.approx((70.0 - 32.0) * 5 / 9)
    assert reading.values["conductivity"] == pytest.approx(1413.0)
    assert {c.quantity: c.resolution for c in driver.channels}["conductivity"] == pytest.approx(1.0)


async def test_values_it_has_no_word_for_are_told_and_left_out(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    sensor = bench.sensor()
    sensor.descriptions["orp"] = ("QQ", "mV", 0)
    sensor.descriptions["tds"] = ("TDS", "furlongs", 0)
    sensor.descriptions["salinity"] = ("TW", "deg C", 1)
    driver = bench.driver()
    with caplog.at_level(logging.WARNING):
        for _ in range(2):  # once, however often it is opened
            (reading,) = await bench.read(driver)
    assert set(reading.values) == {"ph", "conductivity", "specific_gravity", "temperature"}
    assert reading.values["temperature"] == 0.3  # the first that was called so
    said = [record.getMessage() for record in caplog.records]
    assert "bench: value 2, 'QQ' in 'mV', is left out: unknown name" in said
    assert "bench: value 4, 'TDS' in 'furlongs', is left out: unknown unit for tds" in said
    assert "bench: value 7, 'TW' in 'deg C', is left out: temperature has a value already" in said
    assert len(said) == len(set(said))


async def test_the_profile_overrides_what_the_sensor_says_and_the_rest_stays(bench: Bench) -> None:
    bench.sensor()
    driver = bench.driver(
        "[quantities.conductivity]\nunit = 'uS/cm'\nresolution = 10\ncompensated_to_c = 25\n"
        "[quantities.orp]\nplace = 7\nunit = 'mV'\nresolution = 1\n"
    )
    (reading,) = await bench.read(driver)
    assert reading.values["orp"] == 21.4
    assert "temperature" not in reading.values  # its place is taken
    assert reading.values["conductivity"] == 512.0
    channels = {channel.quantity: channel for channel in driver.channels}
    assert channels["conductivity"].resolution == 10
    assert channels["conductivity"].reference_c == 25
    assert channels["ph"].resolution == 0.01


async def test_only_places_that_the_profile_leaves_open_are_asked_for(bench: Bench) -> None:
    bench.sensor(measurements=(("ph", "temperature"),))
    await bench.read(bench.driver(PH))
    assert [c for c in bench.cables[0].commands if "_" in c] == ["0IMC_002!"]


async def test_a_profile_that_names_all_values_needs_no_description(bench: Bench) -> None:
    bench.sensor(version="1.3")
    driver = bench.driver("seven_values")
    assert len(driver.channels) == 7
    (reading,) = await bench.read(driver)
    assert reading.values == SHOWN
    assert not [c for c in bench.cables[0].commands if "_" in c]


async def test_an_old_sensor_that_nobody_describes_is_refused_with_what_to_do(bench: Bench) -> None:
    bench.sensor(version="1.3")
    with pytest.raises(MeterUnavailable, match=r"version 1.3\) gives 7 values .* \[quantities"):
        await bench.read(bench.driver())


async def test_the_same_sensor_is_not_asked_again_what_it_measures_after_a_loss(
    bench: Bench,
) -> None:
    bench.sensor()
    driver = bench.driver()
    await bench.read(driver)
    await bench.read(driver)
    assert not [c for c in bench.cables[1].commands if "_" in c]
    bench.sensors[:] = []
    bench.sensor(serial="0000002")
    await bench.read(driver)
    assert [c for c in bench.cables[2].commands if "_" in c]


async def test_a_number_that_stands_for_none_is_a_flag(bench: Bench) -> None:
    bench.sensor()
    bench.shown |= {"ph": None, "orp": "OR", "temperature": 150.0}
    (reading,) = await bench.read(bench.driver("[measure]\nover_range = [150]\n"))
    assert reading.flags == {
        "ph": Flag.ERROR,
        "orp": Flag.ERROR,
        "temperature": Flag.OVER_RANGE,
    }
    assert not {"ph", "orp", "temperature"} & set(reading.values)


async def test_an_implausible_number_is_kept_and_flagged(bench: Bench) -> None:
    bench.sensor()
    bench.shown["ph"] = 70.1
    (reading,) = await bench.read(bench.driver())
    assert (reading.values["ph"], reading.flags) == (70.1, {"ph": Flag.IMPLAUSIBLE})


# Ways to measure.


@pytest.mark.parametrize("family", ["M", "MC", "C", "CC", "R", "RC", "V"])
@pytest.mark.parametrize("break_by", ["adapter", "port"])
@pytest.mark.parametrize("takes_s", [0.0, 0.4, 3.0])
async def test_every_way_to_measure_gives_the_same_values(
    bench: Bench, family: str, break_by: str, takes_s: float
) -> None:
    bench.sensor(takes_s=takes_s)
    bench.front_options["makes_break"] = break_by == "adapter"
    profile = f"[adapter]\nbreak_by = '{break_by}'\n" + measure(family)
    driver = bench.driver(profile)
    readings = await bench.read(driver, 3)
    assert [reading.values for reading in readings] == [SHOWN] * 3
    assert (driver.bad_frames, driver.missed_answers, driver.missed_requests) == (0, 0, 0)
    assert (driver.bad_frames, bench.sensors[0].begun) == (0, 0 if family[0] == "R" else 3)


async def test_values_that_do_not_fit_in_one_answer_come_in_several_and_whole(
    bench: Bench,
) -> None:
    names = ("conductivity", "tds", "orp", "ph", "temperature", "conductivity", "tds", "orp", "ph")
    bench.sensor(measurements=(names,))
    bench.shown |= {"conductivity": 19990.0, "tds": 9995.0, "orp": -1999.0, "ph": 12.34}
    (reading,) = await bench.read(bench.driver())
    assert reading.values == {
        "conductivity": 19990.0, "tds": 9995.0, "orp": -1999.0, "ph": 12.34, "temperature": 21.4,
    }  # fmt: skip
    assert [c for c in bench.cables[0].commands if "D" in c] == ["0D0!", "0D1!"]
    first, second = reading.raw.split(" ")
    assert first.startswith("0+19990+9995-1999+12.34+21.4")
    assert second.startswith("0+9995-1999+12.34")


async def test_several_measurements_of_one_sensor_are_readings_of_their_own(bench: Bench) -> None:
    bench.sensor(measurements=(("ph", "orp"), ("temperature",)))
    readings = await bench.read(bench.driver(measure("MC", measurements=[0, 1])), 4)
    assert [list(reading.values) for reading in readings] == [["ph", "orp"], ["temperature"]] * 2
    assert "0MC1!" in bench.cables[0].commands


async def test_a_sensor_without_check_characters_is_read_without(bench: Bench) -> None:
    bench.sensor(version="1.2")
    (reading,) = await bench.read(bench.driver("seven_values"))
    assert reading.values == SHOWN
    assert [c for c in bench.cables[0].commands if c[1] == "M"] == ["0MC!"] * 3 + ["0M!"]


async def test_a_sensor_that_knows_none_of_the_commands_is_refused(bench: Bench) -> None:
    bench.sensor(measurements=())
    with pytest.raises(MeterUnavailable, match="the sensor 0 knows no command of MC, M"):
        await bench.read(bench.driver())


async def test_the_values_are_asked_for_when_the_service_request_does_not_come(
    bench: Bench,
) -> None:
    bench.front_options["faults"] = Sdi12Faults(no_request=1.0)
    bench.sensor()
    driver = bench.driver("seven_values")
    readings = await bench.read(driver, 2)
    assert [reading.values for reading in readings] == [SHOWN] * 2
    assert driver.missed_requests == 2


async def test_a_reading_has_the_time_its_values_came(bench: Bench) -> None:
    bench.sensor()
    first, second = await bench.read(bench.driver(), 2)
    (at_s,) = {t for t, text in bench.cables[0].sent if text == "0D0!" and t < first.stamp.t_s}
    assert 0 < first.stamp.t_s - at_s < 0.5
    assert first.stamp.t_s <= next(t for t, c in bench.cables[0].sent if c == "0IMC_001!")
    assert second.stamp.t_s > first.stamp.t_s


async def test_measurements_keep_to_their_schedule(bench: Bench) -> None:
    bench.sensor(takes_s=0.9)
    await bench.read(bench.driver("seven_values"), 6)
    begun = [t for t, text in bench.cables[0].sent if text == "0MC!"][1:]
    steps = [b - a for a, b in itertools.pairwise(begun)]
    assert steps == pytest.approx([2.0] * 4)


# Breaks and retries, as section 7 of the standard orders them.


def seconds_of(command: str) -> float:
    return len(command) * CHARACTER_S


async def test_no_break_is_sent_where_a_transparent_adapter_makes_it(bench: Bench) -> None:
    bench.sensor()
    await bench.read(bench.driver("seven_values"))
    assert "break" not in [text for _, text in bench.cables[0].sent]


async def test_after_a_service_request_no_break_is_needed(bench: Bench) -> None:
    bench.front_options["makes_break"] = False
    bench.sensor()
    await bench.read(bench.driver(PORT + PH + measure("M", describe="false"), address="0"))
    said = [text for _, text in bench.cables[0].sent]
    assert said == ["break", "0!", "0I!", "0M!", "0D0!"]


async def test_without_service_request_a_break_comes_before_the_data(bench: Bench) -> None:
    bench.front_options |= {"makes_break": False, "faults": Sdi12Faults(no_request=1.0)}
    bench.sensor()
    await bench.read(bench.driver(PORT + PH + measure("M", describe="false"), address="0"))
    assert [text for _, text in bench.cables[0].sent][-3:] == ["0M!", "break", "0D0!"]


async def test_nothing_is_sent_between_start_and_service_request(bench: Bench) -> None:
    bench.front_options["makes_break"] = False
    bench.sensor("0", takes_s=5.0)
    bench.sensor("1", takes_s=0.0)
    profile = PORT + PH + measure("M", describe="false", interval_s=1.0)
    async with AsyncExitStack() as stack:
        slow = await bench.entered(stack, bench.driver(profile, address="0"))
        await bench.run(anext(slow))
        fast = await bench.entered(stack, bench.driver(profile, address="1"))
        seen = bench.run(anext(slow))
        await seen
        for _ in range(8):
            await bench.run(anext(fast))
    sent = bench.cables[0].sent
    starts = [place for place, (_, text) in enumerate(sent) if text == "0M!"]
    assert len(starts) >= 2
    for place in starts:
        assert sent[place + 1][1] == "0D0!"
        assert sent[place + 1][0] - sent[place][0] >= 5.0


async def test_others_are_addressed_during_a_concurrent_measurement(bench: Bench) -> None:
    bench.front_options["makes_break"] = False
    bench.sensor("0", takes_s=5.0)
    bench.sensor("1", takes_s=0.0)
    profile = PORT + PH + measure("CC", describe="false", interval_s=1.0)
    async with AsyncExitStack() as stack:
        fast = await bench.entered(stack, bench.driver(profile, address="1"))
        slow = await bench.entered(stack, bench.driver(profile, address="0"))
        await bench.run(anext(slow))
        again = asyncio.ensure_future(anext(slow))
        count = 0
        while not again.done():
            await bench.run(anext(fast))
            count += 1
        assert (await again).values == {"ph": 7.01}
    assert count >= 5
    assert bench.cables[0].commands.count("0CC!") == 2


async def silent_tries(bench: Bench, profile: str) -> list[tuple[float, str]]:
    """What is sent to a sensor that has fallen silent."""
    sensor = bench.sensor()
    async with AsyncExitStack() as stack:
        readings = await bench.entered(stack, bench.driver(profile))
        await bench.run(anext(readings))
        sensor.is_dead = True
        cable = bench.cables[0]
        cable.sent.clear()
        with pytest.raises(MeterLost, match="1 measurements failed in a row: nothing came"):
            await bench.run(anext(readings))
    return cable.sent


async def test_a_silent_sensor_is_tried_as_often_as_the_standard_orders(bench: Bench) -> None:
    bench.front_options["makes_break"] = False
    profile = PORT + PH + measure("M", describe="false", missed_answers=1)
    sent = await silent_tries(bench, profile)
    turns: list[list[tuple[float, str]]] = []
    for t, text in sent:
        if text == "break":
            turns.append([])
        turns[-1].append((t, text))
    assert len(turns) == 3  # "at least two more times", with a break
    for turn in turns:
        (broke_s, _), *tries = turn
        assert [text for _, text in tries] == ["0M!"] * len(tries)
        assert len(tries) >= 3  # "at least two more times", without one
        assert tries[0][0] - broke_s >= 0.00833  # marking before the command
        assert tries[-1][0] - broke_s > 0.1  # one when every sensor must be awake
        for (a, text), (b, _) in itertools.pairwise(tries):
            quiet_s = b - a - seconds_of(text)
            assert 0.01667 <= quiet_s <= 0.087


async def test_a_silent_sensor_behind_a_transparent_adapter_is_tried_three_times(
    bench: Bench,
) -> None:
    profile = PH + measure("M", describe="false", missed_answers=1)
    sent = await silent_tries(bench, profile)
    assert [text for _, text in sent] == ["0M!"] * 3
    assert sent[-1][0] - sent[0][0] < 1.0


async def test_a_sensor_slow_to_wake_is_reached_by_a_later_try(bench: Bench) -> None:
    bench.front_options["makes_break"] = False
    bench.sensor(wakes_in_s=0.1)
    driver = bench.driver(PORT + PH + measure("M", describe="false"), address="0")
    (reading,) = await bench.read(driver)
    assert reading.values == {"ph": 7.01}
    said = [text for _, text in bench.cables[0].sent]
    turns = " ".join(said).split("break ")[1:]
    assert [set(turn.split()) for turn in turns] == [{"0!"}, {"0I!"}, {"0M!", "0D0!"}]
    assert all(len(turn.split()) in {2, 3, 4} for turn in turns)  # none was repeated


async def test_another_sensor_is_addressed_with_a_break(bench: Bench) -> None:
    bench.front_options["makes_break"] = False
    bench.sensor("0", takes_s=0.0)
    bench.sensor("1", takes_s=0.0)
    profile = PORT + PH + measure("R", describe="false")
    async with AsyncExitStack() as stack:
        for address in "01":
            readings = await bench.entered(stack, bench.driver(profile, address=address))
            assert (await bench.run(anext(readings))).values == {"ph": 7.01}
    said = [text for _, text in bench.cables[0].sent]
    assert said[said.index("1!") - 1] == "break"


# Bad answers.


async def test_wrong_check_characters_are_asked_for_again_and_never_a_value(bench: Bench) -> None:
    bench.sensor()
    driver = bench.driver("seven_values")
    async with AsyncExitStack() as stack:
        readings = await bench.entered(stack, driver)
        await bench.run(anext(readings))
        bench.fronts[0].faults = Sdi12Faults(bad_crc=0.3)
        for _ in range(30):
            assert (await bench.run(anext(readings))).values == SHOWN
    assert driver.bad_frames > 5


async def test_a_noisy_wire_never_leads_to_a_command_without_check_characters(
    bench: Bench,
) -> None:
    bench.sensor()
    bench.front_options["faults"] = Sdi12Faults(bad_crc=1.0)
    with pytest.raises(MeterUnavailable, match="none make sense"):
        await bench.read(bench.driver("[measure]\nmissed_answers = 1\n"))
    assert not [c for c in bench.cables[0].commands if c == "0M!"]


async def test_values_that_were_announced_and_do_not_come_are_no_reason_to_go_without_check(
    bench: Bench,
) -> None:
    class Forgetful(Sdi12Sensor):
        def answer(self, body: str, t_s: float) -> str | None:
            return None if body.startswith("D") else super().answer(body, t_s)

    bench.sensors.append(Forgetful("0", lambda: dict(SHOWN)))
    with pytest.raises(MeterUnavailable, match="values were announced and not given"):
        await bench.read(bench.driver())
    assert "0M!" not in bench.cables[0].commands


@pytest.mark.parametrize("break_by", ["adapter", "port"])
@pytest.mark.parametrize(
    "faults",
    [
        Sdi12Faults(LineFaults(silence=0.2)),
        Sdi12Faults(LineFaults(half=0.2)),
        Sdi12Faults(LineFaults(garbage=0.2)),
        Sdi12Faults(LineFaults(stutter=0.2)),
        Sdi12Faults(LineFaults(flip=0.2)),
        Sdi12Faults(contention=0.2),
        Sdi12Faults(late=0.2),
        Sdi12Faults(no_request=0.5),
        Sdi12Faults(LineFaults(0.05, 0.05, 0.05, 0.05, 0.05), 0.1, 0.05, 0.05, 0.05),
    ],
    ids=["silence", "half", "garbage", "stutter", "flip", "contention", "late", "request", "all"],
)
async def test_on_a_bad_wire_every_value_is_a_true_one(
    bench: Bench, break_by: str, faults: Sdi12Faults
) -> None:
    bench.sensor(takes_s=0.3)
    bench.front_options["makes_break"] = break_by == "adapter"
    toml = f"[adapter]\nbreak_by = '{break_by}'\n" + measure("MC", missed_answers=20)
    driver = bench.driver(toml)
    async with AsyncExitStack() as stack:
        readings = await bench.entered(stack, driver)
        bench.fronts[0].faults = faults
        for _ in range(12):
            reading = await bench.run(anext(readings), 300)
            assert reading.values == SHOWN
    assert driver.missed_answers < 20


async def test_a_value_of_an_earlier_measurement_is_never_taken_for_a_new_one(
    bench: Bench,
) -> None:
    bench.sensor(takes_s=0.3)
    driver = bench.driver(measure("MC", missed_answers=50, interval_s=2.5))
    async with AsyncExitStack() as stack:
        readings = await bench.entered(stack, driver)
        bench.fronts[0].faults = Sdi12Faults(late=0.3)
        for number in range(40):
            bench.shown["orp"] = float(number)
            t_s = bench.clock.now().t_s
            reading = await bench.run(anext(readings), 300)
            if number:  # the first was measured while opening
                assert reading.values["orp"] == number, (number, reading.stamp.t_s - t_s)


async def test_the_command_heard_back_is_passed_over(bench: Bench) -> None:
    bench.echoes = True
    bench.sensor()
    driver = bench.driver()
    (reading,) = await bench.read(driver)
    assert (reading.values, driver.bad_frames) == (SHOWN, 0)


async def test_only_its_own_echo_is_no_answer(bench: Bench) -> None:
    bench.echoes = True
    with pytest.raises(MeterUnavailable, match="no sensor answers at address 0"):
        await bench.read(bench.driver(address="0"))


# Parity.


@pytest.mark.parametrize("parity", ["software", "ignore"])
async def test_parity_is_made_and_taken_away_where_the_port_passes_eight_bits(
    bench: Bench, parity: str
) -> None:
    bench.front_options["parity"] = True
    bench.sensor()
    wire = "[serial]\ndata_bits = 8\nparity = 'none'\n"
    driver = bench.driver(f"{wire}[adapter]\nparity = '{parity}'\n")
    (reading,) = await bench.read(driver)
    assert (reading.values, driver.bad_frames) == (SHOWN, 0)


async def test_wrong_parity_is_a_bad_answer(bench: Bench) -> None:
    bench.sensor()  # answers without parity
    wire = "[serial]\ndata_bits = 8\nparity = 'none'\n"
    driver = bench.driver(f"{wire}[adapter]\nparity = 'software'\n")
    with pytest.raises(MeterUnavailable, match=r"1200 8N1 \(wrong parity\): check the speed"):
        await bench.read(driver)
    assert driver.bad_frames >= 3


async def test_bytes_with_a_parity_nobody_takes_away_say_what_to_check(bench: Bench) -> None:
    bench.front_options["parity"] = True
    bench.sensor()

    with pytest.raises(MeterUnavailable, match=r"none make sense at 1200 7E1 .*speed and parity"):
        await bench.read(bench.driver(adapter_parity(bench)))


def adapter_parity(_bench: Bench) -> str:
    return "[adapter]\nparity = 'port'\n"


# Addresses.


async def test_the_address_of_a_lone_sensor_is_found(bench: Bench) -> None:
    bench.sensor("z")
    driver = bench.driver()
    (reading,) = await bench.read(driver)
    assert reading.values == SHOWN
    assert bench.cables[0].commands[:2] == ["?!", "z!"]
    assert driver.identity.startswith("watched://#z ")


async def test_several_sensors_asked_at_once_say_to_name_one(bench: Bench) -> None:
    for address in "12":  # together they look like address 0
        bench.sensor(address)
    with pytest.raises(MeterUnavailable, match="If there are several, give the address of each"):
        await bench.read(bench.driver())


async def test_an_address_without_a_sensor_says_so(bench: Bench) -> None:
    bench.sensor("0")
    with pytest.raises(MeterUnavailable, match="no sensor answers at address 7 on watched://"):
        await bench.read(bench.driver(address="7"))


# Several meters on one wire.


async def test_two_meters_share_one_port_and_the_last_closes_it(bench: Bench) -> None:
    bench.sensor("0")
    bench.sensor("1")
    async with AsyncExitStack() as first:
        mine = await bench.entered(first, bench.driver(address="0"))
        async with AsyncExitStack() as second:
            yours = await bench.entered(second, bench.driver(address="1"))
            for readings in (mine, yours, mine, yours):
                assert (await bench.run(anext(readings))).values == SHOWN
        (cable,) = bench.cables
        assert not cable.closed
        assert (await bench.run(anext(mine))).values == SHOWN
    assert cable.closed


async def test_other_settings_on_the_same_port_are_refused(bench: Bench) -> None:
    bench.sensor("0")
    async with AsyncExitStack() as stack:
        await bench.entered(stack, bench.driver(address="0"))
        with pytest.raises(MeterUnavailable, match=r"SDI-12 at 1200 7E1.*now asked for.*9600 7E1"):
            await bench.read(bench.driver(address="1", serial={"baudrate": 9600}))


async def test_a_lost_line_is_lost_for_all_and_opened_anew(bench: Bench) -> None:
    bench.sensor("0")
    bench.sensor("1")
    async with AsyncExitStack() as stack:
        mine = await bench.entered(stack, bench.driver(address="0"))
        yours = await bench.entered(stack, bench.driver(address="1"))
        for readings in (mine, yours):
            await bench.run(anext(readings))
        bench.cables[0].inbox.end(MeterLost("unplugged"))
        for readings in (mine, yours):
            with pytest.raises(MeterLost, match="unplugged"):
                await bench.run(anext(readings))
    await bench.read(bench.driver(address="1"))
    assert len(bench.cables) == 2


@pytest.mark.parametrize("break_by", ["adapter", "port"])
@pytest.mark.parametrize("command", ["MC", "CC"])
async def test_a_dead_sensor_costs_the_live_one_on_its_wire_no_reading(
    bench: Bench, break_by: str, command: str
) -> None:
    bench.front_options["makes_break"] = break_by == "adapter"
    bench.sensor("0", takes_s=0.3)
    dead = bench.sensor("1")
    profile = f"[adapter]\nbreak_by = '{break_by}'\n" + measure(command, interval_s=2.0)
    said: list[Reading | Event] = []

    async def publish(item: Reading | Event) -> None:
        said.append(item)

    def meter(name: str, address: str) -> asyncio.Task[Any]:
        driver = bench.driver(profile, address=address)
        driver._name = name
        return asyncio.create_task(
            supervise(driver, meter=name, clock=bench.clock, publish=publish, silence_s=30.0)
        )

    bench.tasks += [meter("live", "0"), meter("dead", "1")]
    await bench.wait(20.0)
    dead.is_dead = True
    await bench.wait(10.0)
    said.clear()
    await bench.wait(100.0)
    alive = [item for item in said if isinstance(item, Reading)]
    assert {reading.meter for reading in alive} == {"live"}
    assert 49 <= len(alive) <= 51
    gaps = [b.stamp.t_s - a.stamp.t_s for a, b in itertools.pairwise(alive)]
    assert max(gaps) < 4.0
    dead.is_dead = False
    said.clear()
    await bench.wait(20.0)
    assert {item.meter for item in said if isinstance(item, Reading)} == {"live", "dead"}


async def test_three_failed_measurements_in_a_row_are_a_lost_sensor(bench: Bench) -> None:
    sensor = bench.sensor()
    driver = bench.driver("seven_values")
    async with AsyncExitStack() as stack:
        readings = await bench.entered(stack, driver)
        await bench.run(anext(readings))
        waiting = asyncio.ensure_future(anext(readings))
        sensor.is_dead = True
        await bench.wait(4.5)
        sensor.is_dead = False
        assert (await bench.run(waiting)).values == SHOWN
        assert driver.missed_answers in {1, 2}
        sensor.is_dead = True
        with pytest.raises(MeterLost, match="3 measurements failed in a row: nothing came"):
            await bench.run(anext(readings))
