"""A port that is pulled, slow, stutters or babbles; real pseudo-terminals, the product's driver.

OUZEL_UNPLUGS=200 makes the long form.
"""

from __future__ import annotations

import asyncio
import itertools
import os
import random
import time
from pathlib import Path

import pytest

from acquire import config
from acquire.clock import SystemClock
from acquire.daemon import Daemon
from acquire.meter import BURST, Backoff, supervise
from acquire.readings import Event, Reading
from acquire.store import Records
from drivers.text_lines import TextLines
from drivers.text_settings import TextLinesSettings
from simulators.pty_front import PtyFront
from tests.bluetooth.conftest import until

UNPLUGS = int(os.environ.get("OUZEL_UNPLUGS", "25"))
BABBLE_S = float(os.environ.get("OUZEL_BABBLE_S", "3"))
LINE = b"pH 7.01 pH, ORP 215 mV, EC 512 uS/cm, T 21.4 C\r\n"


def driver(front):
    settings = TextLinesSettings.model_validate({"profile": "labelled", "port": front.path})
    return TextLines(settings, meter="bench", clock=SystemClock())


def usage():
    return sum(1 for _ in Path("/proc/self/fd").iterdir()), len(asyncio.all_tasks())


@pytest.fixture
async def supervised():
    """Supervise a driver; gives what is heard."""
    tasks = []

    def start(one, silence_s=5.0):
        heard: list[Reading | Event] = []

        async def publish(item):
            heard.append(item)

        tasks.append(
            asyncio.create_task(
                supervise(
                    one,
                    meter="bench",
                    clock=SystemClock(),
                    publish=publish,
                    silence_s=silence_s,
                    backoff=Backoff(0.004, 0.02),
                )
            )
        )
        return heard

    yield start
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


def readings(heard):
    return [one for one in heard if isinstance(one, Reading)]


@pytest.mark.timeout(60 + UNPLUGS)
async def test_a_port_pulled_again_and_again_is_read_each_time_and_nothing_piles_up(
    tmp_path, supervised
):
    async with PtyFront(tmp_path / "probe") as front:
        heard = supervised(driver(front))
        levels = []
        for _ in range(UNPLUGS):
            await until(lambda: front.is_open)
            count = len(readings(heard))
            deadline = time.monotonic() + 5
            while len(readings(heard)) == count:
                assert time.monotonic() < deadline
                front.send(LINE)
                await asyncio.sleep(0.005)
            levels.append(usage())
            front.unplug()
            await asyncio.sleep(random.Random(len(levels)).uniform(0, 0.01))
            front.plug()
    assert levels[-1] == levels[2]
    told = [one.kind for one in heard if isinstance(one, Event)]
    assert 1 <= told.count("meter_lost") <= BURST + 2
    assert told.count("meter_back") <= told.count("meter_lost")
    assert {tuple(one.values.values()) for one in readings(heard)} == {
        tuple(readings(heard)[0].values.values())
    }


async def test_bytes_one_by_one_and_with_pauses_make_the_same_readings(tmp_path, supervised):
    chance = random.Random(5)
    async with PtyFront(tmp_path / "probe") as front:
        one = driver(front)
        heard = supervised(one)
        await until(lambda: front.is_open)
        await asyncio.sleep(0.02)
        front.send(b"rest of a line\r\n")
        for at in range(20):
            line = LINE.replace(b"512", b"%d" % (500 + at))
            while line:
                cut = 1 if at < 3 else chance.randint(1, 12)
                front.send(line[:cut])
                line = line[cut:]
                await asyncio.sleep(chance.choice((0, 0, 0.001, 0.01)))
        await until(lambda: len(readings(heard)) >= 20)
    got = [round(each.values["conductivity"]) for each in readings(heard)]
    assert got == list(range(500, 520))
    assert one.bad_frames <= 1  # what was under way when the port was opened


@pytest.mark.timeout(60 + int(3 * BABBLE_S))
async def test_noise_at_115200_baud_costs_the_other_meter_nothing_and_never_becomes_a_value(
    tmp_path,
):
    chance = random.Random(9)
    asyncio.get_running_loop().set_debug(False)
    settings = config.load(None)
    meters = [
        config.meter(name, {"profile": "labelled", "port": str(tmp_path / name), "silence_s": 1.5})
        for name in ("noisy", "quiet")
    ]
    works = Daemon(settings, meters, SystemClock(), store=tmp_path / "water.db")
    async with PtyFront(tmp_path / "noisy") as noisy, PtyFront(tmp_path / "quiet") as quiet:
        running = asyncio.create_task(works.run())
        await until(lambda: noisy.is_open and quiet.is_open)
        begun_s, cpu_s = time.monotonic(), time.process_time()
        sent, spoken_s = 0, [begun_s]
        while time.monotonic() < begun_s + BABBLE_S:
            # 11,520 bytes a second, 576 each twentieth: noise, and every line end there is.
            sent += noisy.send(chance.randbytes(540) + b"\r\n\n\0pH 7,EC\r\n" + bytes(20))
            quiet.send(LINE)
            spoken_s.append(time.monotonic())
            await asyncio.sleep(0.05)
        cpu_s = (time.process_time() - cpu_s) / (time.monotonic() - begun_s)
        works.stop()
        await running
    assert (
        sent > 3000 * BABBLE_S
    )  # the machine is slow at times; what was sent was noise all the same
    with Records.open(tmp_path / "water.db") as records:
        times = [one.stamp.t_s for one in records.readings(meter="quiet")]
        assert not list(records.readings(meter="noisy"))
        events = [one.kind for one in records.events() if one.meter == "noisy"]
    assert len(times) > 5 * BABBLE_S
    # The meter itself is late where the machine is busy with something else.
    late_s = max(b - a for a, b in itertools.pairwise(spoken_s))
    assert max(b - a for a, b in itertools.pairwise(times)) < 1.0 + late_s
    assert len(events) <= 4 + BABBLE_S / 10
    assert cpu_s < 0.5  # some per cent here; a loop that spins would take all of it
