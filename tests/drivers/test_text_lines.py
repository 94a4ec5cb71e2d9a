"""The driver over real ptys: what the meter's side does, what comes out, what never does."""

from __future__ import annotations

import asyncio
import os
import pty
import tracemalloc
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from acquire.clock import SystemClock
from acquire.errors import ConfigError, MeterLost, MeterUnavailable
from acquire.readings import Flag, Stamp
from acquire.validation import from_pydantic
from drivers.codecs.dialects import (
    POLL_COMMAND,
    POLL_REFUSED,
    encode_columns,
    encode_labelled,
    encode_polled,
)
from drivers.text_lines import MIDDLE_S, TextLines
from tests.shown import SHOWN as WATER

LINE = encode_labelled(WATER)


class SetClock(SystemClock):
    """Real waiting, but a time of day and an age that the test sets."""

    def __init__(self) -> None:
        super().__init__()
        self.mono_s = 1000.0

    def now(self) -> Stamp:
        return Stamp(1_790_000_000_000, round(self.mono_s * 1e9))


async def room(far: int) -> None:
    """Wait until the far end can be written to."""
    loop = asyncio.get_running_loop()
    ready = asyncio.Event()
    loop.add_writer(far, ready.set)
    try:
        await ready.wait()
    finally:
        loop.remove_writer(far)


async def test_a_line_becomes_a_reading(plugged_in: Any) -> None:
    async with plugged_in() as meter:
        meter.say(b"rest of a line\r\n" + LINE)
        reading = await meter.next()
        assert reading.values == pytest.approx(WATER)
        assert reading.flags == {}
        assert reading.meter == "bench"
        assert reading.raw == LINE.decode().strip()
        assert meter.driver.bad_frames == 0


@pytest.mark.parametrize(("profile", "encode"), [("columns", encode_columns)])
async def test_columns_become_readings(profile: str, encode: Any, plugged_in: Any) -> None:
    async with plugged_in(profile) as meter:
        meter.say(b"\n" + encode({**WATER, "ph": None, "orp": "OR"}))
        reading = await meter.next()
        assert reading.flags == {"ph": Flag.ERROR, "orp": Flag.OVER_RANGE}
        assert reading.values["temperature"] == 21.4


async def test_the_first_line_after_opening_may_be_half_a_line_and_is_dropped(
    plugged_in: Any,
) -> None:
    # Half a line can look whole: "T 121.4 C" cut behind the 1 is a plausible "T 21.4 C".
    async with plugged_in() as meter:
        meter.say(b"T 21.4 C\r\n" + LINE)
        assert (await meter.next()).values["ph"] == 7.01
        assert meter.driver.bad_frames == 0


async def test_a_line_that_comes_after_a_silence_is_whole(plugged_in: Any) -> None:
    clock = SetClock()
    async with plugged_in(clock=clock) as meter:
        reading = asyncio.create_task(meter.next())
        await asyncio.sleep(0)
        clock.mono_s += MIDDLE_S
        meter.say(b"T 21.4 C\r\n")
        assert (await reading).values == {"temperature": 21.4}


async def test_readings_carry_the_injected_time(plugged_in: Any) -> None:
    clock = SetClock()
    async with plugged_in(clock=clock) as meter:
        meter.say(b"\r\n" + LINE)
        assert (await meter.next()).stamp == Stamp(1_790_000_000_000, 1_000_000_000_000)


async def test_lines_may_arrive_in_any_pieces(plugged_in: Any) -> None:
    async with plugged_in() as meter:
        meter.say(b"\r\n")
        waiting = asyncio.create_task(meter.next())
        for byte in LINE:
            meter.say(bytes([byte]))
            await asyncio.sleep(0)
        assert (await waiting).values == pytest.approx(WATER)


async def test_garbage_between_lines_is_counted_and_never_a_value(plugged_in: Any) -> None:
    garbage = [
        b"\x00\x00\x00\r\n",
        bytes(range(128, 256)).replace(b"\r", b"") + b"\r\n",
        b"hello\r\n",
        b"pH nan pH\r\n",
        b"X" * 1000 + b"pH 1.00\r\n",
    ]
    async with plugged_in() as meter:
        meter.say(b"\r\n" + b"".join(garbage) + LINE)
        reading = await meter.next()
        assert reading.values == pytest.approx(WATER)
        assert meter.driver.bad_frames == 5


async def test_half_a_line_that_runs_into_the_next_gives_no_value_of_its_own(
    plugged_in: Any,
) -> None:
    async with plugged_in() as meter:
        meter.say(b"\r\npH 4.0" + LINE + b"pH 4.00 pH, ORP 2" + LINE + LINE)
        reading = await meter.next()
        assert reading.flags == {"ph": Flag.ERROR}
        assert reading.values == {name: reading.values[name] for name in WATER if name != "ph"}
        assert (await meter.next()).values["ph"] == 7.01  # the second said pH twice: no frame
        assert meter.driver.bad_frames == 1


async def test_a_bad_field_is_counted_and_costs_only_itself(plugged_in: Any) -> None:
    async with plugged_in() as meter:
        meter.say(b"\r\npH 7.x1 pH, T 21.4 C\r\n")
        reading = await meter.next()
        assert reading.values == {"temperature": 21.4}
        assert reading.flags == {"ph": Flag.ERROR}
        assert (meter.driver.bad_fields, meter.driver.bad_frames) == (1, 0)


async def test_an_implausible_number_is_kept_and_flagged(plugged_in: Any) -> None:
    async with plugged_in() as meter:
        meter.say(b"\r\npH 70.1 pH, T 21.4 C\r\n")
        reading = await meter.next()
        assert reading.values["ph"] == 70.1
        assert reading.flags == {"ph": Flag.IMPLAUSIBLE}


async def test_raw_text_is_printable_and_short(tmp_path: Path, plugged_in: Any) -> None:
    profile = tmp_path / "long.toml"
    profile.write_text(
        '[framing]\nmax_length = 1000\n[fields]\nstyle = "labels"\n'
        '[quantities.ph]\nlabel = "pH"\nunit = "pH"\nresolution = 0.01\n'
    )
    async with plugged_in(str(profile)) as meter:
        meter.say(b"\r\npH 7.01,\t" + b"x" * 600 + b"\r\n")
        reading = await meter.next()
        assert reading.values == {"ph": 7.01}
        assert reading.raw.startswith(r"pH 7.01,\txxx")
        assert reading.raw.isprintable()
        assert len(reading.raw) == 256


async def test_ten_megabytes_without_a_terminator_are_one_bad_frame_in_bounded_memory(
    plugged_in: Any,
) -> None:
    async with plugged_in() as meter:
        meter.say(b"\r\n" + LINE)
        await meter.next()
        os.set_blocking(meter.far, False)
        asyncio.get_running_loop().set_debug(False)  # traces of every callback would be measured
        waiting = asyncio.ensure_future(anext(meter.readings))
        tracemalloc.start()
        left, chunk = 10_000_000, b"\x55" * 4096
        while left > 0:
            try:
                left -= os.write(meter.far, chunk[:left])
            except BlockingIOError:
                await room(meter.far)
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        os.set_blocking(meter.far, True)
        meter.say(b"pH 1.00\r\n" + LINE)
        assert (await waiting).values == pytest.approx(WATER)
        assert meter.driver.bad_frames == 1
        assert peak < 1_000_000


async def test_unplugging_is_meter_lost_within_half_a_second(plugged_in: Any) -> None:
    async with plugged_in() as meter:
        meter.say(b"\r\n" + LINE + b"pH 7.")
        await meter.next()
        waiting = asyncio.ensure_future(anext(meter.readings))
        await asyncio.sleep(0)
        meter.unplug()
        async with asyncio.timeout(0.5):
            with pytest.raises(MeterLost):
                await waiting


async def test_a_driver_can_be_opened_again_after_a_loss(make_driver: Any) -> None:
    far, near = pty.openpty()
    driver = make_driver(os.ttyname(near))
    try:
        for _ in range(3):
            async with driver.open() as readings:
                os.write(far, b"half\r\n" + LINE)
                async with asyncio.timeout(2):
                    assert (await anext(readings)).values["ph"] == 7.01
    finally:
        os.close(far)
        os.close(near)


async def test_one_owner_a_port(plugged_in: Any, make_driver: Any) -> None:
    async with plugged_in() as meter:
        with pytest.raises(MeterUnavailable, match="taken by PID"):
            async with make_driver(meter.driver.identity).open():
                raise AssertionError("opened twice")


async def test_giving_up_in_the_middle_frees_the_port(make_driver: Any) -> None:
    far, near = pty.openpty()
    driver = make_driver(os.ttyname(near))

    async def read_for_ever() -> None:
        async with driver.open() as readings:
            async for _ in readings:
                pass

    try:
        reading = asyncio.create_task(read_for_ever())
        await asyncio.sleep(0.01)
        reading.cancel()
        with pytest.raises(asyncio.CancelledError):
            await reading
        async with make_driver(driver.identity).open():
            pass
    finally:
        os.close(far)
        os.close(near)


async def test_a_link_to_a_port_is_followed_and_is_the_identity(
    tmp_path: Path, make_driver: Any
) -> None:
    far, near = pty.openpty()
    link = tmp_path / "probe"
    link.symlink_to(os.ttyname(near))
    try:
        driver = make_driver(str(link))
        async with driver.open():
            assert driver.identity == str(link)
    finally:
        os.close(far)
        os.close(near)


async def test_a_meter_behind_a_tcp_port_is_read(make_driver: Any) -> None:
    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        command = await reader.readuntil(b"\r\n")
        writer.write(encode_polled(WATER) if command == POLL_COMMAND else POLL_REFUSED)
        await writer.drain()
        await reader.read()
        writer.close()

    server = await asyncio.start_server(talk, "127.0.0.1", 0)
    url = f"socket://127.0.0.1:{server.sockets[0].getsockname()[1]}"
    try:
        driver = make_driver(url, "polled")
        async with driver.open() as readings, asyncio.timeout(3):
            assert (await anext(readings)).values == pytest.approx(WATER)
            assert driver.identity == url
    finally:
        server.close()
        await server.wait_closed()


# Settings.


def complaint(**table: object) -> str:
    with pytest.raises(ValidationError) as caught:
        TextLines.Settings.model_validate({"port": "/dev/x", "profile": "labelled", **table})
    return str(from_pydantic(caught.value, model=TextLines.Settings))


def test_settings_are_a_port_a_profile_and_what_differs_from_it() -> None:
    settings = TextLines.Settings.model_validate(
        {"port": "/dev/x", "profile": "columns", "serial": {"data_bits": 7, "parity": "even"}}
    )
    wire = settings.wire  # type: ignore[attr-defined]
    assert (wire.baudrate, wire.data_bits, wire.parity) == (19200, 7, "even")
    assert settings.model_dump(exclude_none=True) == {
        "driver": "text_lines",
        "port": "/dev/x",
        "profile": "columns",
        "serial": {"data_bits": 7, "parity": "even"},
    }


@pytest.mark.parametrize(
    ("table", "says"),
    [
        (
            {"port": "ttyUSB0"},
            "port: not a port (for a file here write ./ttyUSB0), found 'ttyUSB0'; allowed: a path",
        ),
        (
            {"profile": "labeled"},
            "profile: no such profile, did you mean labelled?, found 'labeled'; allowed: columns, lab",
        ),
        ({"profile": "./mine.toml"}, "profile: no such profile, looked for "),
        ({"serial": {"speed": 1}}, "serial.speed: unknown key; allowed: baudrate"),
        ({"serial": {"parity": "N"}}, "serial.parity: not one of the choices, found 'N'; allowed"),
        ({"silence": 3}, "silence: unknown key; allowed: driver, profile, port, serial"),
    ],
)
def test_a_mistake_in_the_settings_says_what_is_allowed(
    table: dict[str, object], says: str
) -> None:
    assert complaint(**table).startswith(says)


def test_a_relative_profile_stands_beside_the_configuration(tmp_path: Path) -> None:
    text = '[fields]\nstyle = "labels"\n[quantities.ph]\nlabel = "P"\nunit = ""\nresolution = 0.1\n'
    (tmp_path / "mine.toml").write_text(text)
    settings = TextLines.Settings.model_validate(
        {"port": "/dev/x", "profile": "mine.toml"}, context={"base": tmp_path}
    )
    driver = TextLines(settings, meter="m", clock=SystemClock())  # type: ignore[arg-type]
    assert [channel.quantity for channel in driver.channels] == ["ph"]


def test_a_mistake_in_a_profile_is_found_with_the_settings(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text("[fields]\n")
    with pytest.raises(ConfigError, match=r"mine\.toml: fields: style does not say") as caught:
        TextLines.Settings.model_validate(
            {"port": "/dev/x", "profile": "mine.toml"}, context={"base": tmp_path}
        )
    assert caught.value.file == str(tmp_path / "mine.toml")
