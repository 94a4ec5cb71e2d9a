"""The simulated Bluetooth meters: what they say, and the whole of one as another program has it."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from acquire.clock import SystemClock
from acquire.errors import ConfigError, MeterUnavailable
from simulators import private_bus
from simulators.ble_speech import BLE_DIALECTS, PACKED, ble_meter, pack, speak
from simulators.private_bus import PrivateBus
from tests.shown import SHOWN

WATER = {**SHOWN, "orp": -215.0}

needs_daemon = pytest.mark.skipif(
    not PrivateBus.is_possible() and not os.environ.get("CI"),
    reason="the program dbus-daemon is not installed (Debian package dbus-daemon)",
)

READER = """
import asyncio, json, sys
from acquire.clock import SystemClock
from drivers.gatt import Gatt

async def main():
    settings = Gatt.Settings.model_validate({"profile": "packed", "address": sys.argv[1]})
    async with Gatt(settings, meter="bench", clock=SystemClock()).open() as readings:
        for _ in range(3):
            print(json.dumps((await anext(readings)).values), flush=True)

asyncio.run(main())
"""


def test_a_block_has_its_numbers_in_their_places():
    block = pack(WATER, 258)
    assert block.hex(" ") == "02 bd 02 29 ff 00 02 00 00 01 03 00 e8 03 d6 00"
    words = pack({"ph": "OR", "orp": "Err", "temperature": None}, 0)
    assert words.hex(" ") == "00 fe ff ff 7f ff ff ff ff ff ff ff ff ff ff 7f"


def test_an_unknown_dialect_is_answered_with_those_there_are():
    with pytest.raises(ConfigError, match="packed, described, broadcast, bthome"):
        ble_meter("loud")


@pytest.mark.parametrize("dialect", list(BLE_DIALECTS))
async def test_a_meter_speaks_at_its_rate(dialect, fake_clock):
    meter = ble_meter(dialect)
    said = []
    meter.say = said.append
    task = asyncio.create_task(speak(meter, lambda: WATER, clock=fake_clock, rate_hz=2.0))
    await fake_clock.advance(5.0)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    assert len(said) == 11


def test_what_is_broadcast_fits_into_one_advert():
    """31 bytes: flags take 3, the header of the data 4 (Core Specification, volume 3, part C, 11)."""
    for dialect in ("broadcast", "bthome"):
        meter = ble_meter(dialect)
        meter.say(WATER)
        data = [*meter.peripheral.manufacturer.values(), *meter.peripheral.service_data.values()]
        assert len(data[0]) <= 31 - 3 - 4


def test_a_device_finds_its_characteristics():
    meter = ble_meter("packed")
    meter.say(WATER)
    assert meter.peripheral.find(PACKED).value == pack(WATER, 1)
    with pytest.raises(KeyError):
        meter.peripheral.find("1234")


@needs_daemon
async def test_another_program_reads_a_simulated_meter():
    from simulators.ble_run import run_ble

    loop = asyncio.get_running_loop()
    ready: asyncio.Future[tuple[str, str]] = loop.create_future()
    meter = asyncio.create_task(
        run_ble(
            clock=SystemClock(20.0),
            water="tap",
            on_ready=lambda bus, address: ready.set_result((bus, address)),
        )
    )
    bus, address = await ready
    reader = await asyncio.create_subprocess_exec(
        sys.executable,
        "-c",
        READER,
        address,
        stdout=subprocess.PIPE,
        env={**os.environ, "DBUS_SYSTEM_BUS_ADDRESS": bus},
    )
    try:
        async with asyncio.timeout(20):
            out, _ = await reader.communicate()
    finally:
        meter.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await meter
    values = [json.loads(line) for line in out.decode().splitlines()]
    assert len(values) == 3
    assert 6.0 < values[-1]["temperature"] < 30.0


HOLDER = """
import asyncio
from simulators.private_bus import PrivateBus

async def main():
    async with PrivateBus() as bus:
        print(bus.address, flush=True)
        await asyncio.Event().wait()

asyncio.run(main())
"""


@needs_daemon
async def test_the_private_daemon_ends_with_a_program_that_is_killed():
    holder = await asyncio.create_subprocess_exec(
        sys.executable, "-c", HOLDER, stdout=subprocess.PIPE
    )
    line = await holder.stdout.readline()
    socket = Path(line.decode().strip().removeprefix("unix:path="))
    reader, writer = await asyncio.open_unix_connection(socket)
    holder.kill()
    await holder.wait()
    async with asyncio.timeout(5):
        with contextlib.suppress(ConnectionResetError):
            assert await reader.read() == b""  # only the end of the daemon closes it
    writer.close()
    assert not await asyncio.to_thread(socket.parent.exists)


async def test_without_a_daemon_the_package_is_named(monkeypatch):
    monkeypatch.setattr(private_bus.shutil, "which", lambda _: None)
    with pytest.raises(MeterUnavailable, match="Debian package dbus-daemon"):
        await PrivateBus().__aenter__()
