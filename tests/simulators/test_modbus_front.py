"""The simulated Modbus meters, asked by pymodbus's own client."""

from __future__ import annotations

import asyncio
import contextlib
import math

import pytest
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.exceptions import ModbusIOException

from acquire.clock import SystemClock
from acquire.errors import ConfigError, MeterUnavailable
from drivers.codecs.dialects import OVER_RANGE
from simulators.hand import Script, Stop
from simulators.modbus_front import ModbusFront, SimulatedDevice
from simulators.modbus_registers import REGISTER_MAPS
from simulators.modbus_run import run_modbus

SHOWN = {
    "ph": 7.01,
    "orp": -215.0,
    "conductivity": 70_000.0,
    "temperature": -1.5,
    "tds": 256.0,
    "salinity": 0.3,
    "specific_gravity": 1.001,
}
SCALED, FLOATS = REGISTER_MAPS["scaled"], REGISTER_MAPS["floats"]


@contextlib.asynccontextmanager
async def asked(front, **changes):
    """A client of the front; it asks once."""
    common = {"timeout": 2, "retries": 0, "reconnect_delay": 0, **changes}
    if front.path.startswith("tcp://"):
        client = AsyncModbusTcpClient("127.0.0.1", port=int(front.path.rsplit(":")[-1]), **common)
    else:
        client = AsyncModbusSerialClient(front.path, baudrate=9600, **common)
    assert await client.connect()
    try:
        yield client
    finally:
        client.close()


def device(registers=SCALED, **shown):
    return SimulatedDevice(registers, lambda: {**SHOWN, **shown}, answer_s=0)


@pytest.mark.parametrize("tcp", [None, ("127.0.0.1", 0)])
async def test_registers_hold_what_the_display_shows(tcp):
    async with (
        ModbusFront({3: device()}, clock=SystemClock(), tcp=tcp) as front,
        asked(front) as client,
    ):
        got = await client.read_input_registers(0, count=11, device_id=3)
        assert got.registers == [
            701,
            0x10000 - 215,
            1,
            70_000 - 65_536,
            0x10000 - 15,
            0,
            0,
            0,
            256,
            3,
            1001,
        ]
        assert front.answers == 1


async def test_floats_are_read_by_the_reference_library():
    async with (
        ModbusFront({1: device(FLOATS)}, clock=SystemClock()) as front,
        asked(front) as client,
    ):
        got = await client.read_holding_registers(100, count=14, device_id=1)
        numbers = client.convert_from_registers(
            got.registers, client.DATATYPE.FLOAT32, word_order="little"
        )
        wanted = [SHOWN[name] for name in FLOATS.registers]
        assert numbers == pytest.approx(wanted)


@pytest.mark.parametrize("name", REGISTER_MAPS)
def test_every_shown_word_has_registers(name):
    words = REGISTER_MAPS[name].words(dict.fromkeys(SHOWN, OVER_RANGE) | {"ph": None, "orp": "Err"})
    assert set(words) == set(REGISTER_MAPS[name].words(SHOWN))
    nothing = REGISTER_MAPS[name].words({})
    assert nothing != REGISTER_MAPS[name].words(dict.fromkeys(SHOWN, OVER_RANGE))


@pytest.mark.parametrize(
    ("ask", "code"),
    [
        (lambda client: client.read_holding_registers(0, count=1, device_id=3), 1),
        (lambda client: client.write_register(0, 700, device_id=3), 1),
        (lambda client: client.read_input_registers(50, count=1, device_id=3), 2),
        (lambda client: client.read_input_registers(5, count=12, device_id=3), 2),
    ],
)
async def test_what_it_does_not_have_is_refused(ask, code):
    async with ModbusFront({3: device()}, clock=SystemClock()) as front, asked(front) as client:
        got = await ask(client)
        assert got.isError()
        assert got.exception_code == code


@pytest.mark.parametrize("tcp", [None, ("127.0.0.1", 0)])
async def test_nobody_answers_for_a_device_that_is_not_there_or_silent(tcp):
    silent = device()
    silent.is_silent = True
    meters = {3: device(), 4: silent}
    async with ModbusFront(meters, clock=SystemClock(), tcp=tcp) as front:
        async with asked(front, timeout=0.1) as client:
            for number in (4, 5):
                with pytest.raises(ModbusIOException):
                    await client.read_input_registers(0, count=1, device_id=number)
        async with asked(front) as client:
            assert (await client.read_input_registers(0, count=1, device_id=3)).registers == [701]


async def test_a_device_may_refuse_and_may_have_holes():
    from dataclasses import replace

    meter = device(replace(SCALED, has_holes=True))
    async with ModbusFront({3: meter}, clock=SystemClock()) as front, asked(front) as client:
        assert (await client.read_input_registers(4, count=5, device_id=3)).exception_code == 2
        assert (await client.read_input_registers(8, count=3, device_id=3)).registers == [
            256,
            3,
            1001,
        ]
        meter.refusal = 6
        assert (await client.read_input_registers(8, count=3, device_id=3)).exception_code == 6


async def test_the_bytes_of_an_answer_can_be_spoiled():
    async with (
        ModbusFront(
            {3: device()}, clock=SystemClock(), spoil=lambda data: data[:-1] + b"\0"
        ) as front,
        asked(front, timeout=0.1) as client,
    ):
        with pytest.raises(ModbusIOException):
            await client.read_input_registers(0, count=1, device_id=3)


async def test_a_link_stays_through_unplugging(tmp_path):
    link = tmp_path / "probe"
    async with ModbusFront({3: device()}, clock=SystemClock(), link=link) as front:
        for _ in range(2):
            async with asked(front) as client:
                assert (await client.read_input_registers(0, count=1, device_id=3)).registers
            await front.unplug()
            assert not link.is_symlink()
            await front.plug()
            assert front.path == str(link)
    assert not link.is_symlink()


async def test_a_port_that_is_taken_says_so():
    async with ModbusFront({3: device()}, clock=SystemClock(), tcp=("127.0.0.1", 0)) as front:
        taken = int(front.path.rsplit(":")[-1])
        with pytest.raises(
            MeterUnavailable, match=f"tcp://127.0.0.1:{taken} cannot be listened on"
        ):
            async with ModbusFront({3: device()}, clock=SystemClock(), tcp=("127.0.0.1", taken)):
                raise AssertionError("listens")


@pytest.mark.parametrize("devices", [{}, {0: device()}, {248: device()}])
def test_numbers_that_no_device_has_are_refused(devices):
    with pytest.raises(ConfigError, match="1 to 247"):
        ModbusFront(devices, clock=SystemClock())


# The whole meters.


@contextlib.asynccontextmanager
async def running(**changes):
    ready = asyncio.get_running_loop().create_future()
    task = asyncio.create_task(
        run_modbus(clock=SystemClock(), on_ready=ready.set_result, **changes)
    )
    await asyncio.wait({ready, task}, return_when=asyncio.FIRST_COMPLETED)
    if task.done():
        await task
    try:
        yield ready.result()
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


class At:
    def __init__(self, path):
        self.path = path


async def test_all_probes_of_a_line_are_read_and_each_is_its_own():
    probes = running(seed=1, devices=(1, 2), water="buffer_7", rate_hz=50)
    async with probes as path, asked(At(path)) as client:
        a, b = [
            (await client.read_input_registers(0, count=5, device_id=number)).registers
            for number in (1, 2)
        ]
    assert a != b


async def test_it_ends_with_its_script_and_tells_each_move_once():
    places = []
    script = Script((Stop(water="tap", in_air_s=2, dwell_s=3),))
    await asyncio.wait_for(
        run_modbus(
            clock=SystemClock(100), script=script, devices=(1, 2), once=True, on_move=places.append
        ),
        5,
    )
    assert places == ["air", "tap", "air"]


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"registers": "spoken"}, "allowed: scaled, floats"),
        ({"devices": (0,)}, "1 to 247"),
        ({"devices": ()}, "at least one"),
        ({"rate_hz": math.inf}, "Hz"),
        ({"water": "soup"}, "unknown water"),
    ],
)
async def test_what_cannot_be_simulated_is_said_before_anything_is_opened(changes, says):
    with pytest.raises(ConfigError, match=says):
        await run_modbus(clock=SystemClock(), **changes)
