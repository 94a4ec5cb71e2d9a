"""Simulated SDI-12 sensors keep the rules of the wire, so that a driver can be held to them."""

from __future__ import annotations

import asyncio
import contextlib

import pytest

from acquire.clock import SystemClock
from acquire.errors import ConfigError
from drivers.codecs.sdi12 import CHARACTER_S, with_crc, with_parity
from simulators.sdi12_front import Sdi12Faults, Sdi12Front, collide
from simulators.sdi12_run import run_sdi12
from simulators.sdi12_sensor import Sdi12Sensor
from simulators.speech import LineFaults

SHOWN = {"ph": 7.01, "orp": -215.0, "temperature": 21.4}
NAMES = tuple(SHOWN)
STEP_S = 1 / 512


class Recorder:
    """The near end: sends commands and breaks, notes what comes and when."""

    def __init__(self, clock, sensors, **options):
        self.clock = clock
        self.heard = b""
        self.at_s = []
        self._queue = asyncio.Queue()
        self.front = Sdi12Front(self, sensors, clock=clock, **options)

    def send(self, data):
        self.heard += data
        self.at_s.append(self.clock.now().t_s)
        return len(data)

    async def receive(self):
        return await self._queue.get()

    async def pass_time(self, seconds):
        await self.clock.advance(seconds, STEP_S)

    async def ask(self, command, within_s=0.7, wake=True):
        """What is answered; with a break before the command unless told otherwise."""
        if wake:
            self.front.hear_break()
            await self.pass_time(0.025)
        self.heard, self.at_s = b"", []
        self._queue.put_nowait(command.encode() if isinstance(command, str) else command)
        await self.pass_time(within_s)
        return self.heard.decode("latin-1").removesuffix("\r\n")


@pytest.fixture
async def bench(fake_clock):
    asyncio.get_running_loop().set_debug(False)
    tasks = []

    def start(*sensors, **options):
        made = sensors or [sensor()]
        recorder = Recorder(fake_clock, made, **{"makes_break": False, **options})
        tasks.append(asyncio.create_task(recorder.front.serve()))
        return recorder

    yield start
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


def sensor(address="0", **options):
    return Sdi12Sensor(address, lambda: dict(SHOWN), **{"measurements": (NAMES,), **options})


VALUES = "+7.01-215+21.4"


@pytest.mark.parametrize(
    ("command", "answer"),
    [
        ("0!", "0"),
        ("?!", "0"),
        ("0I!", "014OUZEL   BROOK 0010000001"),
        ("0M!", "00013"),
        ("0MC!", "00013"),
        ("0M1!", "00000"),
        ("0C!", "000103"),
        ("0CC9!", "000000"),
        ("0V!", "00013"),
        ("0R0!", "0" + VALUES),
        ("0RC0!", with_crc("0" + VALUES)),
        ("0R1!", "0"),
        ("0IM!", "00013"),
        ("0IC!", "000103"),
        ("0IM_001!", "0,WP,pH;"),
        ("0IMC_002!", with_crc("0,ORP,mV;")),
        ("0IR0_003!", "0,TW,deg C;"),
        ("0IM_004!", "0"),
        ("0Ab!", "b"),
        ("0D0!", "0"),
        ("0X!", ""),
        ("0M0!", ""),
        ("1!", ""),
        ("0", ""),
        ("!", ""),
    ],
)
async def test_each_command_has_its_answer(bench, command, answer):
    # A concurrent or aborted wait would add a service request: look before it is due.
    assert await bench(sensor(takes_s=0.95)).ask(command) == answer


async def test_values_come_after_the_service_request(bench):
    recorder = bench(sensor(takes_s=0.5))
    assert await recorder.ask("0M!", 0.2) == "00013"
    recorder.heard = b""
    await recorder.pass_time(0.4)
    assert recorder.heard == b"0\r\n"
    assert await recorder.ask("0D0!", wake=False) == "0" + VALUES
    assert await recorder.ask("0D1!") == "0"


async def test_a_concurrent_measurement_asks_for_no_service(bench):
    recorder = bench(sensor(takes_s=0.5))
    await recorder.ask("0C!", 0.2)
    recorder.heard = b""
    await recorder.pass_time(1.0)
    assert recorder.heard == b""
    assert await recorder.ask("0D0!") == "0" + VALUES


async def test_a_break_before_the_service_request_ends_the_measurement(bench):
    recorder = bench(sensor(takes_s=0.9))
    await recorder.ask("0M!", 0.3)
    recorder.front.hear_break()
    recorder.heard = b""
    await recorder.pass_time(1.0)
    assert recorder.heard == b""
    assert await recorder.ask("0D0!") == "0"


async def test_a_break_does_not_end_a_concurrent_measurement(bench):
    recorder = bench(sensor(takes_s=0.9), sensor("1"))
    await recorder.ask("0CC!", 0.3)
    assert await recorder.ask("1!") == "1"
    await recorder.pass_time(0.5)
    assert await recorder.ask("0D0!") == with_crc("0" + VALUES)


async def test_sensors_sleep_until_a_break_and_again_a_tenth_of_a_second_after_the_last_word(bench):
    recorder = bench()
    assert await recorder.ask("0!", wake=False) == ""
    assert await recorder.ask("0!", 0.1) == "0"
    assert await recorder.ask("0!", 0.25, wake=False) == "0"
    assert await recorder.ask("0!", wake=False) == ""
    assert await recorder.ask("0!") == "0"


async def test_another_sensor_needs_another_break(bench):
    recorder = bench(sensor("0"), sensor("1"))
    assert await recorder.ask("0!", 0.1) == "0"
    assert await recorder.ask("1!", 0.1, wake=False) == ""
    assert await recorder.ask("1!") == "1"


async def test_a_slow_sensor_hears_nothing_until_it_is_awake(bench):
    recorder = bench(sensor(wakes_in_s=0.1))
    assert await recorder.ask("0!", 0.08) == ""
    assert await recorder.ask("0!", 0.1, wake=False) == "0"


async def test_an_answer_takes_the_time_of_its_characters(bench):
    recorder = bench()
    begin_s = recorder.clock.now().t_s + 0.025
    await recorder.ask("0R0!")
    length = len("0" + VALUES) + 2
    assert len(recorder.at_s) == length  # as they come, without an adapter
    least_s = begin_s + (4 + length) * CHARACTER_S + 0.00833
    assert least_s <= recorder.at_s[-1] <= least_s + (length + 4) * STEP_S


async def test_an_adapter_hands_on_whole_lines_and_makes_breaks_itself(bench):
    recorder = bench(sensor("0"), sensor("1"), makes_break=True)
    for address in "0101":
        assert await recorder.ask(f"{address}!", wake=False) == address
        assert len(recorder.at_s) == 1


async def test_a_changed_address_is_kept_and_the_sensor_deaf_for_a_second(bench):
    recorder = bench()
    assert await recorder.ask("0A5!", 0.2) == "5"
    assert await recorder.ask("5!", 0.2) == ""
    await recorder.pass_time(1.0)
    assert await recorder.ask("5!") == "5"
    assert await recorder.ask("0!") == ""


async def test_a_dead_sensor_says_nothing(bench):
    made = sensor()
    made.is_dead = True
    assert await bench(made).ask("0!") == ""


async def test_an_old_sensor_knows_fewer_commands(bench):
    recorder = bench(sensor(version="1.2"))
    assert await recorder.ask("0MC!") == ""
    assert await recorder.ask("0IM_001!") == ""
    assert await recorder.ask("0M!", 0.2) == "00013"


async def test_what_is_no_number_is_its_error_value():
    blank = Sdi12Sensor("0", lambda: {"ph": None, "orp": "OR"}, measurements=(("ph", "orp"),))
    assert blank.answer("R0", 0.0) == "0-9999-9999"


async def test_parity_is_sent_and_wanted(bench):
    recorder = bench(parity=True)
    assert await recorder.ask(with_parity(b"0!")) == with_parity(b"0\r\n").decode("latin-1")
    assert await recorder.ask(b"1\xa1") == ""  # 0xA1 is "!" with the wrong parity


async def test_two_answers_at_once_are_neither(bench):
    recorder = bench(sensor("1"), sensor("2"))
    assert await recorder.ask("?!") == "0"  # 0x31 & 0x32


def test_where_two_collide_spacing_wins():
    assert collide(b"\x55", b"\x33\x0f") == b"\x11\x0f"


# Faults.


@pytest.mark.parametrize(
    ("faults", "answer"),
    [
        (Sdi12Faults(LineFaults(silence=1.0)), ""),
        (Sdi12Faults(bad_crc=1.0), "0+7.01-215+21.4"),
        (Sdi12Faults(late=1.0), ""),
    ],
)
async def test_faults_show_on_the_wire(bench, faults, answer):
    said = await bench(faults=faults).ask("0RC0!", 0.4)
    if faults.bad_crc:
        assert said.startswith(answer)
        assert said != with_crc(answer)
    else:
        assert said == answer


async def test_a_late_answer_comes_after_all(bench):
    recorder = bench(faults=Sdi12Faults(late=1.0))
    await recorder.ask("0!", 0.15)
    await recorder.pass_time(1.6)
    assert recorder.heard == b"0\r\n"


async def test_a_service_request_may_be_left_out(bench):
    recorder = bench(faults=Sdi12Faults(no_request=1.0))
    assert await recorder.ask("0M!", 1.5) == "00013"
    assert await recorder.ask("0D0!") == "0" + VALUES


async def test_contention_changes_the_answer(bench):
    recorder = bench(faults=Sdi12Faults(contention=1.0))
    assert await recorder.ask("0R0!") != "0" + VALUES


# The whole of it.


@pytest.mark.parametrize(
    "changes",
    [
        {"addresses": ""},
        {"addresses": "00"},
        {"addresses": "0?"},
        {"takes_s": 1000.0},
        {"rate_hz": 0.0},
    ],
)
async def test_what_cannot_be_simulated_is_refused(changes):
    with pytest.raises(ConfigError):
        await run_sdi12(clock=SystemClock(), **changes)


async def test_it_ends_cleanly_and_takes_its_link_away(tmp_path):
    link, ready = tmp_path / "probe", asyncio.get_running_loop().create_future()
    task = asyncio.create_task(
        run_sdi12(clock=SystemClock(), link=link, addresses="0aZ", on_ready=ready.set_result)
    )
    assert await ready == str(link)
    assert link.is_char_device()
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
    assert not link.is_symlink()


async def test_once_through_its_script_it_ends_by_itself():
    places = []
    await asyncio.wait_for(
        run_sdi12(clock=SystemClock(2000.0), once=True, on_move=places.append), 10.0
    )
    assert places[-1] == "air"
    assert "tap" in places
