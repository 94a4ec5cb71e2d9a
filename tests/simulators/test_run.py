"""The whole simulated meter: a hand, a probe, a port."""

from __future__ import annotations

import asyncio
import contextlib
import os
import re
import time

import pytest

from acquire.clock import SystemClock
from acquire.errors import ConfigError
from simulators.hand import Script, Stop
from simulators.probe import Probe
from simulators.run import Rig, run
from simulators.speech import LineFaults
from simulators.waters import load_waters

SHORT = Script(
    (
        Stop(water="buffer_7", in_air_s=5, dwell_s=60),
        Stop(water="tap", in_air_s=3, dwell_s=60),
    )
)


async def listen(path, into, ask=b""):
    """Read the port as another process would, until cancelled."""
    terminal = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        while True:
            if ask:
                os.write(terminal, ask)
            await asyncio.sleep(0.005)
            with contextlib.suppress(BlockingIOError):
                into.append(os.read(terminal, 65_536))
    finally:
        os.close(terminal)


@contextlib.asynccontextmanager
async def simulated(speed=200.0, ask=b"", **changes):
    """Run one and listen to it; gives what was read, where the probe was, and the task."""
    ready, read, places = asyncio.get_running_loop().create_future(), [], []
    task = asyncio.create_task(
        run(
            clock=SystemClock(speed),
            on_ready=ready.set_result,
            on_move=places.append,
            **changes,
        )
    )
    await asyncio.wait({ready, task}, return_when=asyncio.FIRST_COMPLETED)
    if task.done():
        await task
    listener = asyncio.create_task(listen(ready.result(), read, ask))
    try:
        yield read, places, task
    finally:
        for one in (listener, task):
            one.cancel()
            with contextlib.suppress(asyncio.CancelledError, OSError):
                await one


async def test_once_through_a_script_it_ends_by_itself_and_takes_its_link_away(tmp_path):
    link = tmp_path / "probe"
    async with simulated(script=SHORT, once=True, link=link) as (read, places, task):
        assert link.is_char_device()
        await asyncio.wait_for(task, 10.0)
    assert places == ["air", "buffer_7", "air", "tap", "air"]
    assert not link.is_symlink()
    lines = b"".join(read).split(b"\r\n")
    assert len(lines) > 50
    assert any(line.startswith(b"pH 7.0") and b"mS/cm" in line for line in lines)
    assert re.search(rb"EC (4[6-9]|50)\d uS/cm", b"".join(read))  # 486, as far out as this meter


async def test_one_water_is_kept_until_it_is_cancelled(tmp_path):
    link = tmp_path / "probe"
    async with simulated(water="tap", link=link, once=True) as (read, places, task):
        await asyncio.sleep(0.05)
        assert not task.done()
        assert places == ["tap"]
        begun = time.monotonic()
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert time.monotonic() - begun < 1.0
        assert not link.is_symlink()
    assert b"pH" in b"".join(read)


async def test_after_its_script_it_stays_in_air_and_goes_on_speaking():
    async with simulated(speed=2000.0, script=SHORT) as (read, places, task):
        for _ in range(1000):
            await asyncio.sleep(0.005)
            if places[-2:] == ["tap", "air"]:
                break
        await asyncio.sleep(0.05)
        heard = len(b"".join(read))
        await asyncio.sleep(0.05)
        assert not task.done()
        assert len(b"".join(read)) > heard
        assert places == ["air", "buffer_7", "air", "tap", "air"]


async def test_a_polled_meter_answers_a_host_on_its_port():
    async with simulated(water="tap", dialect="polled", ask=b"READ\r\n") as (read, _, _task):
        for _ in range(400):
            await asyncio.sleep(0.005)
            if b"".join(read).count(b"\r\n") > 3:
                break
    answers = b"".join(read).split(b"\r\n")
    assert answers[0].startswith(b"PH=")
    assert answers[0][-3:-2] == b"*"


async def test_a_bad_wire_gets_its_faults(tmp_path):
    faults = LineFaults(garbage=1.0)
    async with simulated(water="tap", dialect="columns", faults=faults) as (read, _, _task):
        for _ in range(400):
            await asyncio.sleep(0.005)
            if len(b"".join(read)) > 500:
                break
    assert any(byte > 127 for byte in b"".join(read))


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"dialect": "morse"}, "labelled, columns, polled"),
        ({"water": "sea"}, "buffer_7"),
        ({"script": "holiday"}, "household"),
        ({"water": "tap", "script": "household"}, "one of them"),
        ({"rate_hz": 0.0}, "0.01 to 50"),
        ({"rate_hz": float("nan")}, "0.01 to 50"),
    ],
)
async def test_what_cannot_be_used_is_said_before_anything_is_opened(tmp_path, changes, said):
    link = tmp_path / "probe"
    with pytest.raises(ConfigError) as caught:
        await run(clock=SystemClock(), link=link, **changes)
    assert said in str(caught.value)
    assert not any(tmp_path.iterdir())


def rig(**changes):
    places = []
    probe = Probe(1, start_s=100.0, noise=None)
    return Rig(probe, SHORT, load_waters(), start_s=100.0, on_move=places.append), places


def test_moves_are_made_at_their_own_instants_however_late_one_looks():
    often, _ = rig()
    seldom, places = rig()
    for t in range(100, 230):
        often.display(float(t))
    assert seldom.display(229.0) == often.display(229.0)
    assert places == ["air", "buffer_7", "air", "tap", "air"]


async def test_the_hand_follows_an_injected_clock(fake_clock):
    places = []
    start_s = fake_clock.now().t_s
    hand = Rig(
        Probe(1, start_s=start_s), SHORT, load_waters(), start_s=start_s, on_move=places.append
    )
    following = asyncio.create_task(hand.follow(fake_clock))
    await fake_clock.advance(4.0)
    assert places == ["air"]
    await fake_clock.advance(2.0)
    assert places == ["air", "buffer_7"]
    await fake_clock.advance(200.0)
    assert places == ["air", "buffer_7", "air", "tap", "air"]
    await following
