"""Meters of the past: what was recorded speaks again, byte for byte, at any speed."""

from __future__ import annotations

import asyncio
import itertools
import os
import pty
import tty
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from acquire import config
from acquire.clock import SystemClock
from acquire.errors import ConfigError, MeterLost
from acquire.meter import supervise
from acquire.readings import Channel, Event, Flag, Reading
from acquire.registry import driver_class
from acquire.store import StoreWriter
from drivers.codecs.checksum import xor8
from drivers.recording import Recorder
from drivers.text_lines import TextLines

LABELLED = "pH {:.2f} pH, ORP 215 mV, EC 512 uS/cm, T 21.4 C\\r\\n"


def recording(folder: Path, body: str, head: str = "driver text_lines\nprofile labelled") -> Path:
    file = folder / "meter.rec"
    file.write_text(f"ouzel recording 1\n{head}\n\n{body}\n", encoding="ascii")
    return file


def replay(file: Path, clock=None, **keys):
    meter = config.meter("old", {"driver": "replay", "file": str(file), **keys})
    return driver_class("replay")(meter.settings, meter="old", clock=clock or SystemClock())


async def play(driver, readings: list[Reading]) -> None:
    """Read into the list until something ends it."""
    async with asyncio.timeout(10), driver.open() as stream:
        async for reading in stream:
            readings += [reading]


async def everything(driver) -> list[Reading]:
    """Read until the past is over."""
    readings: list[Reading] = []
    with pytest.raises(MeterLost) as lost:
        await play(driver, readings)
    assert lost.value.is_over, lost.value
    return readings


def intervals(readings):
    return [round(b.stamp.t_s - a.stamp.t_s, 3) for a, b in itertools.pairwise(readings)]


@pytest.mark.parametrize("speed", [200, 1e6])
async def test_a_recording_speaks_again_with_the_intervals_it_had_whatever_the_speed(
    tmp_path, speed
):
    body = ["0.0 open 9600 8N1"]
    body += [f"{0.4 + n} < {LABELLED.format(7 + n / 100)}" for n in range(20)]
    body += ["30.0 closed"]
    driver = replay(recording(tmp_path, "\n".join(body)), speed=speed)
    before = SystemClock().now()
    readings = await everything(driver)
    after = SystemClock().now()
    assert [r.values["ph"] for r in readings] == [pytest.approx(7 + n / 100) for n in range(20)]
    assert intervals(readings) == [1.0] * 19
    assert readings[0].meter == "old"
    assert {c.quantity for c in driver.channels} >= {"ph", "conductivity"}
    # It began in the past, so that it ends now: 30 s long, its last reading at 19.4 s.
    assert after.t_s - readings[-1].stamp.t_s == pytest.approx(10.6, abs=after.t_s - before.t_s)
    assert after.at_ms >= readings[-1].stamp.at_ms


async def test_the_line_under_way_at_the_opening_is_dropped_again_as_it_was_then(tmp_path):
    half = "0.1 < 01 pH, ORP 215 mV\\r\\n"
    body = f"0.05 open 9600 8N1\n{half}\n1.1 < {LABELLED.format(7.0)}\n"
    for speed in (50, 1e6):
        driver = replay(recording(tmp_path, body), speed=speed)
        assert len(await everything(driver)) == 1
        assert driver.bad_frames == 0
    late = body.replace("0.1 <", "0.4 <")  # then it had been the beginning of a line
    driver = replay(recording(tmp_path, late), speed=1e6)
    assert len(await everything(driver)) == 2


SAID = "PH=7.01 MV=215 EC=512 TDS=256 SAL=0.03 SG=1.000 TC=21.4"
POLLED = f"{SAID}*{xor8(SAID.encode())}\\r\\n"


@pytest.mark.parametrize("speed", [100, 1e6])
async def test_a_meter_that_was_asked_answers_the_same_commands_with_the_same_delays(
    tmp_path, speed
):
    body = ["0.02 open 9600 8N1"]
    for n in range(12):
        body.append(f"{n + 0.03} > READ\\r\\n")
        if n not in {4, 8}:  # no answer to these two: the time-out ran out
            body.append(f"{n + 0.11} < {POLLED}")
    # The turn after a missed answer was spent listening.
    body = [line for line in body if not line.startswith(("5.", "9."))]
    driver = replay(
        recording(tmp_path, "\n".join(body), "driver text_lines\nprofile polled"), speed=speed
    )
    readings = await everything(driver)
    assert len(readings) == 8
    assert intervals(readings) == [1.0, 1.0, 1.0, 3.0, 1.0, 3.0, 1.0]
    assert readings[0].raw.startswith(SAID)


async def test_a_driver_that_asks_for_something_else_is_told_what_the_recording_lacks(tmp_path):
    body = "0.0 open\n0.0 > MEAS\\r\\n\n0.1 < 7.01\\r\\n\n"
    driver = replay(recording(tmp_path, body, "driver text_lines\nprofile polled"), speed=1e6)
    async with driver.open() as readings:
        with pytest.raises(MeterLost, match=r"no further answer to READ\\r\\n") as lost:
            await anext(readings)
    assert lost.value.is_over


async def test_a_lost_link_is_lost_again_and_comes_back_where_it_came_back(tmp_path):
    body = (
        f"0.0 open\n0.5 < {LABELLED.format(7.0)}\n0.9 < pH 7.\n1.0 lost\n"
        f"3.0 open\n3.5 < {LABELLED.format(7.1)}\n4.0 closed\n"
    )
    driver = replay(recording(tmp_path, body), speed=50)
    said = []
    over = asyncio.Event()

    async def publish(item):
        said.append(item)
        if isinstance(item, Event) and item.kind == "meter_over":
            over.set()

    task = asyncio.create_task(
        supervise(driver, meter="old", clock=SystemClock(50), publish=publish, silence_s=30)
    )
    async with asyncio.timeout(10):
        await over.wait()
    task.cancel()
    kinds = [item.kind if isinstance(item, Event) else item.values["ph"] for item in said]
    assert kinds == [7.0, "meter_lost", "meter_back", 7.1, "meter_over"]
    assert "in the recording" in said[1].text
    assert said[2].data["gap_s"] == 3.0


async def test_a_silence_in_the_middle_costs_no_reading(tmp_path, fake_clock):
    body = f"0.0 open\n0.5 < {LABELLED.format(7.0)}\n60.5 < {LABELLED.format(7.1)}\n61 closed\n"
    driver = replay(recording(tmp_path, body), fake_clock)
    said = []

    async def publish(item):
        said.append(item)

    task = asyncio.create_task(
        supervise(driver, meter="old", clock=fake_clock, publish=publish, silence_s=30)
    )
    await asyncio.sleep(0.05)  # a thread looks through the file
    await fake_clock.advance(80)
    task.cancel()
    readings = [item for item in said if isinstance(item, Reading)]
    assert [r.values["ph"] for r in readings] == [7.0, 7.1]
    assert intervals(readings) == [60.0]
    assert [e.kind for e in said if isinstance(e, Event)] == [
        "meter_lost", "meter_back", "meter_over"
    ]  # fmt: skip


async def test_bytes_that_made_no_sense_make_none_again(tmp_path):
    body = f"0.0 open\n0.5 < \\x00\\xff\\r\\n\n1.5 < {LABELLED.format(7.0)}\n"
    driver = replay(recording(tmp_path, body), speed=1e6)
    assert len(await everything(driver)) == 1
    assert driver.bad_frames == 1


async def test_half_a_line_at_the_end_is_told_and_what_stood_before_it_is_read(tmp_path):
    file = recording(tmp_path, f"0.0 open\n0.5 < {LABELLED.format(7.0)}\n1.5 < pH \\x")
    driver = replay(file, speed=1e6)
    async with driver.open() as readings:
        assert (await anext(readings)).values["ph"] == 7.0
        with pytest.raises(MeterLost, match="cannot be read on: line 3"):
            await anext(readings)


async def test_the_whole_way_a_meter_recorded_live_gives_the_same_readings_again(tmp_path):
    """A real pseudo-terminal, split and damaged lines, a hang-up; then the same from the file."""
    file = tmp_path / "live.rec"
    clock = SystemClock()
    far, near = pty.openpty()
    tty.setraw(far)
    live: list[Reading] = []
    with Recorder(file, clock, driver="text_lines", profile="/home/someone/labelled") as recorder:
        settings = TextLines.Settings.model_validate(
            {"port": os.ttyname(near), "profile": "labelled"}
        )
        driver = TextLines(settings, meter="old", clock=clock)
        async with driver.open() as readings:
            os.close(near)
            pieces = (
                b"rest\r\n",
                b"pH 7.01 pH, EC ",
                b"512 uS/cm\r\n\xff\x00\r\n",
                b"T 21.4 C\r\n",
            )
            for piece in pieces:
                os.write(far, piece)
                await asyncio.sleep(0.02)
            live += [await anext(readings), await anext(readings)]
            os.close(far)
            with pytest.raises(MeterLost):
                await anext(readings)
    text = file.read_text(encoding="ascii")
    assert "someone" not in text
    assert "/dev/" not in text
    assert recorder.bytes_heard == sum(map(len, pieces))
    again = replay(file, speed=1e6)
    replayed: list[Reading] = []
    with pytest.raises(MeterLost, match="in the recording"):
        await play(again, replayed)
    assert [(r.values, r.raw) for r in replayed] == [(r.values, r.raw) for r in live]
    assert again.bad_frames == driver.bad_frames == 1


async def test_a_recording_is_bounded_refuses_to_overwrite_and_never_stops_the_reading(tmp_path):
    said: list[str] = []
    file = tmp_path / "small.rec"
    recorder = Recorder(file, SystemClock(), tell=said.append, most_bytes=200)
    for _ in range(50):
        recorder.note("in", b"0123456789")
    recorder.close()
    assert file.stat().st_size <= 200
    assert len(said) == 1
    assert "full" in said[0]
    with pytest.raises(ConfigError, match="would be lost"):
        Recorder(file, SystemClock())
    with pytest.raises(ConfigError, match="cannot be written"):
        Recorder(tmp_path / "no" / "such" / "folder", SystemClock())


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
async def test_a_full_disk_ends_the_recording_and_says_so_once(tmp_path, monkeypatch):
    said: list[str] = []
    real = Path.open
    monkeypatch.setattr(Path, "open", lambda self, mode="r", **k: real(Path("/dev/full"), "w", **k))
    recorder = Recorder(tmp_path / "x", SystemClock(), tell=said.append)
    recorder.note("in", b"abc")
    recorder.close()
    assert len(said) >= 1
    assert "reading goes on" in said[0]


HEADER = "time,meter,quantity,value,unit,flag\n"


def export(folder: Path, *rows: str) -> Path:
    file = folder / "readings.csv"
    file.write_text(HEADER + "\n".join(rows) + "\n", encoding="utf-8")
    return file


async def test_an_export_is_a_meter_again(tmp_path):
    rows = []
    for n in range(5):
        at = f"2026-03-01T10:00:{10 + 2 * n}.000Z,kitchen"
        rows += [f"{at},ph,{7 + n / 100:.2f},[pH],", f"{at},conductivity,512,uS/cm,"]
    rows.append("2026-03-01T10:00:20.000Z,kitchen,ph,,[pH],over_range")
    driver = replay(export(tmp_path, *rows), speed=1000)
    readings = await everything(driver)
    assert intervals(readings) == [2.0] * 5
    assert readings[1].values == {"ph": 7.01, "conductivity": 512}
    assert readings[-1].flags == {"ph": Flag.OVER_RANGE}
    steps = {c.quantity: c.resolution for c in driver.channels}
    assert steps == {"ph": pytest.approx(0.01), "conductivity": 1.0}


async def test_of_several_meters_one_must_be_named_and_a_part_may_be(tmp_path):
    rows = [
        f"2026-03-01T10:00:{n:02d}.000Z,{meter},ph,7.0,[pH],"
        for n in range(10)
        for meter in ("a", "b")
    ]
    file = export(tmp_path, *rows)
    with pytest.raises(MeterLost, match=r"several meters.*allowed: a, b"):
        await everything_or_raise(replay(file))
    keys = {"since": "2026-03-01T10:00:03Z", "until": "2026-03-01T10:00:06Z"}
    readings = await everything(replay(file, meter="b", speed=1e6, **keys))
    assert len(readings) == 3
    with pytest.raises(MeterLost, match="no readings of 'a'"):
        await everything_or_raise(replay(file, meter="a", since="2027-01-01T00:00:00Z"))


async def everything_or_raise(driver):
    async with driver.open() as readings:
        await anext(readings)


async def test_a_damaged_export_is_over_and_says_where(tmp_path):
    file = export(tmp_path, "2026-03-01T10:00:00Z,a,ph,seven,[pH],")
    with pytest.raises(MeterLost, match="line 2") as lost:
        await everything_or_raise(replay(file))
    assert lost.value.is_over


async def test_a_quantity_nobody_described_is_named(tmp_path):
    file = export(tmp_path, "2026-03-01T10:00:00Z,a,sweetness,1,1,")
    with pytest.raises(MeterLost, match=r"quantities\.sweetness"):
        await everything_or_raise(replay(file))


@asynccontextmanager
async def stored(path, clock):
    async with await StoreWriter.open(path, clock=clock) as writer:
        channels = [Channel("ph", 0.01, accuracy=0.05), Channel("temperature", 0.1)]
        await writer.describe(
            "kitchen", driver="text_lines", profile="p", identity="i", channels=channels
        )
        yield writer


async def test_a_store_is_a_meter_again_with_the_channels_it_was_described_with(
    tmp_path, fake_clock
):
    path = tmp_path / "water.db"
    async with stored(path, fake_clock) as writer:
        for n in range(4):
            now = fake_clock.now()
            values = {"ph": 7 + n / 100, "temperature": 21.4}
            await writer.add(Reading("kitchen", now, values))
            await fake_clock.advance(1.5)
        fake_clock.step_wall(7200)  # the clock is set: the interval stays what it was
        await writer.add(Reading("kitchen", fake_clock.now(), {"ph": 7.5}))
    driver = replay(path, speed=1e6)
    readings = await everything(driver)
    assert [r.values["ph"] for r in readings] == [7.0, 7.01, 7.02, 7.03, 7.5]
    assert intervals(readings) == [1.5, 1.5, 1.5, 1.5]
    assert list(driver.channels) == [
        Channel("ph", 0.01, accuracy=0.05), Channel("temperature", 0.1)
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"file": "gone.rec"}, "no such file"),
        ({"speed": 0}, "out of range"),
        ({"loop": True}, "unknown key"),
        ({"meter": "a"}, "export or a store"),
        ({"profile": "no-such"}, "no such profile"),
    ],
)
def test_what_cannot_be_replayed_is_said_when_the_configuration_is_read(tmp_path, keys, said):
    file = recording(tmp_path, "0.0 open")
    with pytest.raises(ConfigError, match=said):
        config.meter("old", {"driver": "replay", "file": str(file), **keys})


@pytest.mark.parametrize(
    ("head", "said"),
    [
        ("profile labelled", "does not name its driver"),
        ("driver telepathy", "unknown driver"),
        ("driver replay", "does not name its driver"),
        ("driver text_lines\nprofile pen.toml", "name its file"),
    ],
)
def test_a_recording_whose_driver_or_profile_is_not_here_says_what_to_do(tmp_path, head, said):
    file = recording(tmp_path, "0.0 open", head)
    with pytest.raises(ConfigError, match=said):
        config.meter("old", {"driver": "replay", "file": str(file)})


def test_keys_of_a_recording_mean_nothing_for_an_export(tmp_path):
    file = export(tmp_path, "2026-03-01T10:00:00Z,a,ph,7,[pH],")
    with pytest.raises(ConfigError, match=r"meters\.old\.profile: this key is for a recording"):
        config.meter("old", {"driver": "replay", "file": str(file), "profile": "labelled"})
