"""SDI-12 over real pseudo-terminals, opened as another process would."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import threading
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest

from acquire.bench.taker import CaptureTaker
from acquire.clock import Clock, SystemClock
from acquire.errors import MeterLost, MeterUnavailable
from acquire.procedures import settler_for
from acquire.quantities import BUILT_IN
from acquire.readings import Capture, CaptureState, Channel, Reading
from drivers.line import Line, open_line
from drivers.profile import SerialSettings, find_profile
from drivers.sdi12 import Sdi12
from drivers.text_lines import TextLines
from simulators.hand import Script, Stop
from simulators.pty_front import PtyFront
from simulators.run import run
from simulators.sdi12_front import Sdi12Front
from simulators.sdi12_run import run_sdi12
from simulators.sdi12_sensor import Sdi12Sensor

EIGHT_BITS = {"data_bits": 8, "parity": "none"}  # all that a pseudo-terminal can do
SHOWN = {"ph": 7.01, "temperature": 21.4}
FAST = "[measure]\ninterval_s = 0.05\n[adapter]\nanswer_s = 5\n"


def driver(port: str, profile: str = "described", clock: Clock | None = None) -> Sdi12:
    table = {"port": port, "profile": profile, "address": "0", "serial": EIGHT_BITS}
    settings = Sdi12.Settings.model_validate(table)
    return Sdi12(settings, meter="bench", clock=clock or SystemClock())  # type: ignore[arg-type]


def profile(folder: Path, text: str) -> str:
    path = folder / f"{len(list(folder.iterdir()))}.toml"
    path.write_text("driver = 'sdi12'\n" + text)
    return str(path)


@contextlib.asynccontextmanager
async def served(port: PtyFront, **options: Any) -> AsyncIterator[Sdi12Front]:
    clock = options.pop("clock", None) or SystemClock()
    sensor = Sdi12Sensor("0", lambda: dict(SHOWN), takes_s=0.0, measurements=((*SHOWN,),))
    front = Sdi12Front(port, [sensor], clock=clock, **options)
    task = asyncio.create_task(front.serve())
    try:
        yield front
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def test_a_sensor_behind_a_transparent_adapter_is_read(tmp_path: Path) -> None:
    async with PtyFront() as port, served(port):
        meter = driver(port.path, profile(tmp_path, "[measure]\ninterval_s = 0.3\n"))
        async with asyncio.timeout(10), meter.open() as readings:
            for _ in range(2):
                assert (await anext(readings)).values == SHOWN
        assert meter.bad_frames == 0
        assert meter.identity == f"{port.path}#0 OUZEL BROOK 001 0000001"


async def test_the_simulated_sensor_is_read_again_and_again_with_the_profile_for_it() -> None:
    clock = SystemClock(3.0)
    ready = asyncio.get_running_loop().create_future()
    task = asyncio.create_task(run_sdi12(clock=clock, water="tap", on_ready=ready.set_result))
    settings = Sdi12.Settings.model_validate(
        {"port": await ready, "profile": "described_8n1", "address": "0"}
    )
    for _ in range(2):  # seven bits would work once: the second setting of a pty fails
        meter = Sdi12(settings, meter="bench", clock=clock)  # type: ignore[arg-type]
        async with asyncio.timeout(10), meter.open() as readings:
            assert set((await anext(readings)).values) == set(BUILT_IN)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


class Telling:
    """A real line that tells of its breaks, since a pseudo-terminal does not carry them."""

    def __init__(self, line: Line, tell: Callable[[], None]) -> None:
        self._line = line
        self._tell = tell
        self.read, self.write = line.read, line.write
        self.reset_input, self.close = line.reset_input, line.close

    async def send_break(self, duration_s: float = 0.25) -> None:
        await self._line.send_break(duration_s)
        self._tell()


async def test_a_sensor_is_woken_by_breaks_through_the_port(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A wire counts milliseconds; a slow clock gives a busy machine the time it has not.
    slow = SystemClock(0.3)
    async with PtyFront() as port, served(port, makes_break=False, clock=slow) as front:

        async def telling(device: str, settings: SerialSettings) -> Telling:
            return Telling(await open_line(device, settings), front.hear_break)

        monkeypatch.setattr("drivers.sdi12_bus.open_line", telling)
        toml = "[measure]\ninterval_s = 0.5\n[adapter]\nbreak_by = 'port'\n"
        meter = driver(port.path, profile(tmp_path, toml), slow)
        async with asyncio.timeout(20), meter.open() as got:
            for _ in range(2):
                assert (await anext(got)).values == SHOWN
        assert front.breaks >= 2


async def drained(waiting: asyncio.Future[Reading], readings: AsyncIterator[Reading]) -> None:
    await waiting
    async for _ in readings:
        pass


async def test_unplugging_while_an_answer_is_awaited_is_meter_lost(tmp_path: Path) -> None:
    async with PtyFront() as port, served(port, clock=SystemClock(100.0)):
        meter = driver(port.path, profile(tmp_path, FAST), SystemClock(100.0))
        async with meter.open() as readings:
            await anext(readings)
            waiting = asyncio.ensure_future(anext(readings))
            await asyncio.sleep(0)
            port.unplug()
            with pytest.raises(MeterLost):
                async with asyncio.timeout(0.5):
                    await drained(waiting, readings)


async def test_a_hundred_lost_links_leave_nothing_behind(tmp_path: Path) -> None:
    clock = SystemClock(50.0)
    link = tmp_path / "probe"
    (tmp_path / "p").mkdir()
    toml = (
        "[measure]\ncommands = ['RC']\ndescribe = false\ninterval_s = 1\n[adapter]\nanswer_s = 15\n"
    )
    toml += "[quantities.ph]\nplace = 1\nunit = 'pH'\nresolution = 0.01\n"

    def held() -> tuple[int, int, int]:
        return (
            sum(1 for _ in Path("/proc/self/fd").iterdir()),
            len(asyncio.all_tasks()),
            threading.active_count(),
        )

    async with PtyFront(link) as port, served(port, clock=clock):
        meter = driver(str(link), profile(tmp_path / "p", toml), clock)
        before: tuple[int, int, int] | None = None
        for number in range(101):
            lost = False
            try:
                async with asyncio.timeout(5), meter.open() as readings:
                    assert (await anext(readings)).values == {"ph": 7.01}
                    port.unplug()
                    while True:
                        await anext(readings)
            except (MeterLost, MeterUnavailable):
                lost = True
            assert lost
            port.plug()
            await asyncio.sleep(0)
            if number == 0:
                before = held()  # what is loaded once is loaded now
        assert held() == before
    assert meter.bad_frames == 0


# The same water over this wire and over the text wire.


def settler(channel: Channel) -> Any:
    tolerance = BUILT_IN[channel.quantity].tolerance
    return settler_for("bench", tolerance, resolution=channel.resolution, quantity=channel.quantity)


async def captured(reader: Sdi12 | TextLines) -> Capture:
    """Read until the probe has left the water; give the capture that stands."""
    numbers = itertools.count(1)
    async with reader.open() as readings:
        taker = CaptureTaker(
            "bench",
            reader.channels,
            settler,
            lambda quantity: BUILT_IN[quantity].tolerance,
            new_id=lambda: f"c{next(numbers)}",
            timeout_s=900.0,
        )
        async for reading in readings:
            for news in taker.update(reading):
                if isinstance(news, Capture) and news.state is CaptureState.FINAL:
                    return news
    raise AssertionError("no capture")


async def simulated(
    simulate: Callable[..., Any], make: Callable[[str, Clock], Sdi12 | TextLines], **options: Any
) -> Capture:
    clock = SystemClock(100.0)
    script = Script((Stop(water="tap", in_air_s=20, dwell_s=600),))
    ready = asyncio.get_running_loop().create_future()
    task = asyncio.create_task(
        simulate(clock=clock, seed="wires", script=script, on_ready=ready.set_result, **options)
    )
    try:
        return await captured(make(await ready, clock))
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


def text_lines(port: str, clock: Clock) -> TextLines:
    settings = TextLines.Settings.model_validate({"port": port, "profile": "labelled"})
    return TextLines(settings, meter="bench", clock=clock)  # type: ignore[arg-type]


async def test_a_capture_agrees_with_that_over_the_text_wire(tmp_path: Path) -> None:
    shipped = find_profile("seven_values", driver="sdi12").read_text()
    (tmp_path / "mine.toml").write_text(shipped + "[adapter]\nanswer_s = 10\n")
    sdi12, text = await asyncio.gather(
        simulated(run_sdi12, lambda port, clock: driver(port, str(tmp_path / "mine.toml"), clock)),
        simulated(run, text_lines),
    )
    assert set(sdi12.values) == set(text.values) == set(BUILT_IN)
    for quantity, ours in sdi12.values.items():
        theirs = text.values[quantity]
        assert ours.phase == theirs.phase == "settled"
        assert abs(ours.value - theirs.value) <= (ours.expanded_u**2 + theirs.expanded_u**2) ** 0.5
    assert sdi12.values["conductivity"].value > 400, "it was in the water"
