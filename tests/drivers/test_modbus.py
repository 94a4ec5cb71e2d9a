"""Modbus over real wires: pymodbus's own server on a joined pair of ptys, and behind TCP."""

from __future__ import annotations

import asyncio
import gc
import itertools
import subprocess
import sys
import threading
from contextlib import AsyncExitStack, suppress
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from acquire.bench.taker import CaptureTaker
from acquire.clock import Clock, SystemClock
from acquire.errors import ConfigError, MeterLost, MeterUnavailable, Unavailable
from acquire.procedures import settler_for
from acquire.quantities import BUILT_IN
from acquire.readings import Capture, CaptureState, Channel, Flag, Reading, Stamp
from acquire.validation import from_pydantic
from drivers.codecs.dialects import OVER_RANGE
from drivers.modbus import Modbus
from drivers.text_lines import TextLines
from simulators.display import Shown
from simulators.hand import Script, Stop
from simulators.modbus_front import ModbusFront, SimulatedDevice
from simulators.modbus_registers import REGISTER_MAPS
from simulators.pty_front import PtyFront
from simulators.run import Rig
from simulators.speech import find_dialect, speak
from simulators.waters import load_waters

WATER: Shown = {
    "ph": 7.01,
    "orp": -215.0,
    "conductivity": 70_000.0,
    "tds": 256.0,
    "salinity": 0.3,
    "specific_gravity": 1.001,
    "temperature": 21.4,
}
WIRES = [None, ("127.0.0.1", 0)]


def simulated(name: str = "scaled", **shown: float | str | None) -> SimulatedDevice:
    return SimulatedDevice(REGISTER_MAPS[name], lambda: {**WATER, **shown}, answer_s=0)


def make(port: str, profile: str = "scaled", device: int = 1, clock: Clock | None = None) -> Modbus:
    settings = Modbus.Settings.model_validate({"port": port, "profile": profile, "device": device})
    return Modbus(settings, meter="sink", clock=clock or SystemClock())  # type: ignore[arg-type]


async def first(driver: Modbus | TextLines) -> Reading:
    async with driver.open() as readings, asyncio.timeout(3):
        return await anext(readings)


def written(folder: Path, text: str) -> str:
    (folder / "mine.toml").write_text(f'driver = "modbus"\n{text}')
    return str(folder / "mine.toml")


@pytest.mark.parametrize("tcp", WIRES)
@pytest.mark.parametrize("name", REGISTER_MAPS)
async def test_the_shipped_profiles_read_the_simulated_meters(
    name: str, tcp: tuple[str, int] | None
) -> None:
    async with ModbusFront({7: simulated(name)}, clock=SystemClock(), tcp=tcp) as front:
        driver = make(front.path, name, 7)
        said = await first(driver)
        assert said.values == pytest.approx(WATER)
        assert said.flags == {}
        assert driver.identity == f"{front.path} device 7"
        assert front.answers == 1, "one request reads it all"


@pytest.mark.parametrize("name", REGISTER_MAPS)
async def test_what_is_no_number_on_the_display_is_none_in_the_reading(name: str) -> None:
    shown = {"ph": None, "orp": OVER_RANGE, "conductivity": "Err", "temperature": OVER_RANGE}
    async with ModbusFront({1: simulated(name, **shown)}, clock=SystemClock()) as front:
        said = await first(make(front.path, name))
    assert said.flags == {
        "ph": Flag.ERROR,
        "orp": Flag.OVER_RANGE,
        "conductivity": Flag.ERROR,
        "temperature": Flag.OVER_RANGE,
    }
    assert set(said.values) == {"tds", "salinity", "specific_gravity"}


async def test_an_implausible_number_is_kept_and_flagged() -> None:
    async with ModbusFront({1: simulated(ph=70.1)}, clock=SystemClock()) as front:
        said = await first(make(front.path))
    assert said.values["ph"] == pytest.approx(70.1)
    assert said.flags == {"ph": Flag.IMPLAUSIBLE}


# The same water over two wires.


class Hurried(SystemClock):
    """Whoever sleeps is there at once: for one meter and its one reader."""

    def __init__(self) -> None:
        super().__init__()
        self._t_s = 1000.0

    def now(self) -> Stamp:
        return Stamp(1_790_000_000_000 + round(self._t_s * 1e3), round(self._t_s * 1e9))

    async def sleep(self, seconds: float) -> None:
        self._t_s += max(0.0, seconds)
        await asyncio.sleep(0)

    def timeout(self, seconds: float | None) -> asyncio.Timeout:
        return asyncio.timeout(2.0)


def rig(clock: Clock) -> Rig:
    script = Script((Stop(water="tap", in_air_s=20, dwell_s=600),))
    return Rig.drawn("two wires", script, load_waters(), start_s=clock.now().t_s)


async def captured(driver: Modbus | TextLines) -> Capture:
    """Read until the probe has left the water; give the capture that stands."""

    def settler(channel: Channel) -> Any:
        tolerance = BUILT_IN[channel.quantity].tolerance
        return settler_for(
            "bench", tolerance, resolution=channel.resolution, quantity=channel.quantity
        )

    numbers = itertools.count(1)
    taker = CaptureTaker(
        "sink",
        driver.channels,
        settler,
        lambda quantity: BUILT_IN[quantity].tolerance,
        new_id=lambda: f"c{next(numbers)}",
        timeout_s=900,
    )
    async with driver.open() as readings:
        async for reading in readings:
            for news in taker.update(reading):
                if isinstance(news, Capture) and news.state is CaptureState.FINAL:
                    return news
    raise AssertionError("no capture")


async def over_modbus(name: str) -> Capture:
    clock = Hurried()
    moved = rig(clock)
    meter = SimulatedDevice(REGISTER_MAPS[name], lambda: moved.display(clock.now().t_s))
    async with ModbusFront({1: meter}, clock=clock) as front:
        return await captured(make(front.path, name, clock=clock))


async def over_text() -> Capture:
    clock = Hurried()
    moved = rig(clock)
    async with PtyFront() as front, asyncio.TaskGroup() as group:
        talking = group.create_task(
            speak(
                front, find_dialect("polled"), lambda: moved.display(clock.now().t_s), clock=clock
            )
        )
        settings = TextLines.Settings.model_validate({"port": front.path, "profile": "polled"})
        capture = await captured(TextLines(settings, meter="sink", clock=clock))  # type: ignore[arg-type]
        talking.cancel()
    return capture


@pytest.mark.parametrize("name", REGISTER_MAPS)
async def test_a_capture_agrees_with_that_over_the_text_wire(name: str) -> None:
    modbus = await over_modbus(name)
    text = await over_text()
    assert set(modbus.values) == set(text.values) == set(WATER)
    for quantity, ours in modbus.values.items():
        theirs = text.values[quantity]
        assert ours.phase == theirs.phase == "settled"
        assert abs(ours.value - theirs.value) <= (ours.expanded_u**2 + theirs.expanded_u**2) ** 0.5
    assert modbus.values["conductivity"].value > 400, "it was in the water"


# Settings, profiles.


def complaint(**table: object) -> str:
    with pytest.raises(ValidationError) as caught:
        Modbus.Settings.model_validate({"port": "/dev/x", "profile": "scaled", **table})
    return str(from_pydantic(caught.value, model=Modbus.Settings))


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ({"port": "ttyUSB0"}, "found 'ttyUSB0'; allowed: tcp://HOST[:PORT], a path, usb:"),
        ({"port": "tcp://"}, "port: not the address of a Modbus TCP device"),
        ({"port": "tcp://x:99999"}, "port: not the address of a Modbus TCP device"),
        ({"port": "tcp://x:502/path"}, "port: not the address of a Modbus TCP device"),
        (
            {"profile": "labelled"},
            "profile: no such profile, found 'labelled'; allowed: floats, sc",
        ),
        ({"device": 0}, "no device on a serial line has this number"),
        ({"device": 248}, "no device on a serial line has this number"),
        ({"device": 300, "port": "tcp://x"}, "device: out of range, found 300; allowed: <= 255"),
        ({"slave": 3}, "slave: unknown key; allowed: driver, profile, port, serial, device"),
    ],
)
def test_a_mistake_in_the_settings_says_what_is_allowed(
    table: dict[str, object], says: str
) -> None:
    assert says in complaint(**table)


@pytest.mark.parametrize(
    ("port", "line"),
    [
        ("tcp://192.0.2.7", "tcp://192.0.2.7:502"),
        ("tcp://192.0.2.7:1502", "tcp://192.0.2.7:1502"),
        ("tcp://[2001:db8::7]:1502", "tcp://[2001:db8::7]:1502"),
        ("socket://192.0.2.7:4001", "socket://192.0.2.7:4001"),
        ("/dev/ttyUSB0", "/dev/ttyUSB0"),
    ],
)
def test_a_port_may_be_serial_a_serial_server_or_modbus_tcp(port: str, line: str) -> None:
    settings: Any = Modbus.Settings.model_validate({"port": port, "profile": "scaled"})
    assert settings.line_port == line
    assert settings.is_tcp is port.startswith("tcp://")


QUANTITY = '[quantities.ph]\nunit = "pH"\nresolution = 0.01\n'


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (QUANTITY, "quantities.ph.address: a key is missing"),
        (QUANTITY + "address = 65536", "quantities.ph.address: out of range, found 65536"),
        (
            QUANTITY + 'address = 65535\ntype = "float32"',
            "behind the last address, found 65535; allowed: 0 to 65534",
        ),
        (QUANTITY + "address = 0\nfunction = 6", "quantities.ph.function: not one of the choices"),
        (QUANTITY + 'address = 0\norder = "AB"', "quantities.ph.order: not one of the choices"),
        (
            QUANTITY + "address = 0\nnot_a_reading = [70000]",
            "quantities.ph.not_a_reading: the registers cannot hold this number, found 70000",
        ),
        (
            QUANTITY + "address = 0\nnot_a_reading = [1.5]",
            "quantities.ph.not_a_reading: the registers cannot hold this number",
        ),
        (
            QUANTITY + "address = 0\nnot_a_reading = [7]\nover_range = [7]",
            "both no reading and over range",
        ),
        (QUANTITY + "address = 0\nfollows = 'orp'", "quantities.ph.follows"),
        (QUANTITY + "adress = 0", "quantities.ph.adress: unknown key, did you mean address?"),
    ],
)
def test_a_mistake_in_a_profile_names_the_key_and_what_is_allowed(
    tmp_path: Path, text: str, says: str
) -> None:
    with pytest.raises(ConfigError) as caught:
        make("/dev/x", written(tmp_path, text))
    assert says in str(caught.value)
    assert caught.value.file == str(tmp_path / "mine.toml")


@pytest.mark.parametrize(
    ("kind", "said", "register"),
    [
        ("int16", "0x8000", 0x8000),
        ("int16", "-32768", 0x8000),
        ("int16", "0xFFFF", 0xFFFF),
        ("uint16", "65535", 0xFFFF),
    ],
)
def test_a_sentinel_may_be_written_as_the_manual_does(
    tmp_path: Path, kind: str, said: str, register: int
) -> None:
    text = f'{QUANTITY}address = 0\ntype = "{kind}"\nnot_a_reading = [{said}]'
    driver = make("/dev/x", written(tmp_path, text))
    (place,) = driver._meter.places
    assert place.read([register]) is Flag.ERROR
    assert place.read([700]) == 700


def test_only_an_opened_meter_loads_pymodbus() -> None:
    code = (
        "import sys; sys.modules['pymodbus'] = None\n"
        "import asyncio\n"
        "from acquire.clock import SystemClock\n"
        "from acquire.registry import driver_class\n"
        "kind = driver_class('modbus')\n"
        "settings = kind.Settings.model_validate({'port': '/dev/null', 'profile': 'scaled'})\n"
        "driver = kind(settings, meter='m', clock=SystemClock())\n"
        "async def main():\n"
        "    async with driver.open(): pass\n"
        "try: asyncio.run(main())\n"
        "except Exception as error: print(type(error).__name__, error)\n"
    )
    out = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[2],
    ).stdout
    assert out.startswith("MeterUnavailable reading Modbus needs pymodbus")
    assert out.strip().endswith("pip install 'pymodbus>=3.16,<4'")


# What goes wrong on the wire.


async def test_a_port_that_is_not_there_says_so() -> None:
    with pytest.raises(MeterUnavailable, match="is not there") as caught:
        await first(make("/dev/no-such-port"))
    assert caught.value.reason is Unavailable.MISSING


async def test_nothing_behind_a_tcp_port_says_so() -> None:
    with pytest.raises(MeterUnavailable, match="no answer"):
        await first(make("tcp://127.0.0.1:1"))


@pytest.mark.parametrize("tcp", WIRES)
async def test_a_wrong_register_is_the_meters_own_exception_in_words(
    tmp_path: Path, tcp: tuple[str, int] | None
) -> None:
    profile = written(tmp_path, f"[registers]\nfunction = 4\n{QUANTITY}address = 500")
    async with ModbusFront({1: simulated()}, clock=SystemClock(), tcp=tcp) as front:
        with pytest.raises(
            MeterLost, match=r"all: ph: function 4, address 500: illegal data address"
        ):
            await first(make(front.path, profile))


async def test_spoiled_answers_are_counted_and_never_values() -> None:
    spoiled = itertools.cycle([True, False])

    def spoil(data: bytes) -> bytes:
        return data[:-3] + b"\x55\x55\x55" + data[:4] if next(spoiled) else data

    async with ModbusFront({1: simulated()}, clock=SystemClock(), spoil=spoil) as front:
        driver = make(front.path, clock=SystemClock(10))
        async with driver.open() as readings, asyncio.timeout(5):
            for _ in range(2):
                assert (await anext(readings)).values == pytest.approx(WATER)
        assert driver.bad_frames == driver.missed_answers == 2


async def test_what_is_no_modbus_behind_a_tcp_port_says_what_it_may_be(tmp_path: Path) -> None:
    async def chatter(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(ConnectionError):
            while True:
                writer.write(b"pH 7.01 pH, T 21.4 C\r\n")
                await writer.drain()
                await asyncio.sleep(0.01)

    server = await asyncio.start_server(chatter, "127.0.0.1", 0)
    text = f"[poll]\ninterval_s = 0.05\ntimeout_s = 0.05\nmissed_answers = 2\n{QUANTITY}address = 0"
    driver = make(f"tcp://127.0.0.1:{server.sockets[0].getsockname()[1]}", written(tmp_path, text))
    with pytest.raises(MeterLost, match=r"none make sense as Modbus TCP: .* socket://"):
        await first(driver)
    assert driver.bad_frames
    server.close()
    await server.wait_closed()
    await asyncio.sleep(0.02)


async def test_one_owner_a_port_but_for_modbus_meters_of_this_program() -> None:
    meters = {1: simulated(), 2: simulated(ph=4.0)}
    async with ModbusFront(meters, clock=SystemClock()) as front, AsyncExitStack() as stack:
        a = await stack.enter_async_context(make(front.path, device=1).open())
        b = await stack.enter_async_context(make(front.path, device=2).open())
        assert (await anext(a)).values["ph"] == pytest.approx(7.01)
        assert (await anext(b)).values["ph"] == pytest.approx(4.0)
        settings = TextLines.Settings.model_validate({"port": front.path, "profile": "polled"})
        with pytest.raises(MeterUnavailable, match="taken by PID"):
            await first(TextLines(settings, meter="t", clock=SystemClock()))  # type: ignore[arg-type]


# Lost links.


def held() -> tuple[int, int, int]:
    """How many files, tasks and threads this program has."""
    gc.collect()
    threads = [one for one in threading.enumerate() if one.name.startswith("line ")]
    return len(list(Path("/proc/self/fd").iterdir())), len(asyncio.all_tasks()), len(threads)


FAST = f"[poll]\ninterval_s = 0.05\n[registers]\nfunction = 4\n{QUANTITY}address = 0"


@pytest.mark.parametrize("tcp", WIRES)
async def test_a_hundred_lost_links_leave_nothing_behind(
    tmp_path: Path, tcp: tuple[str, int] | None
) -> None:
    meters = {1: simulated(), 2: simulated()}
    link = tmp_path / "line"
    profile = written(tmp_path, FAST)
    losses = 0

    async def read_until_lost(driver: Modbus, heard: asyncio.Event) -> None:
        nonlocal losses
        try:
            async with driver.open() as readings:
                async for _ in readings:
                    heard.set()
        except MeterLost:
            losses += 1

    async with ModbusFront(meters, clock=SystemClock(), tcp=tcp, link=link) as front:
        drivers = [make(front.path, profile, number) for number in meters]

        async def lose() -> None:
            heard = [asyncio.Event() for _ in drivers]
            async with asyncio.TaskGroup() as group:
                for pair in zip(drivers, heard, strict=True):
                    group.create_task(read_until_lost(*pair))
                for event in heard:
                    await event.wait()
                await front.unplug()
            await front.plug()

        async with asyncio.timeout(50):
            await lose()
            before = held()
            for _ in range(100):
                await lose()
        assert losses == 2 * 101
        for _ in range(20):  # threads and transports end a moment later
            if held() == before:
                break
            await asyncio.sleep(0.05)
        assert held() == before
