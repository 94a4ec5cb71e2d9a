"""The real Linux backend of bleak against a make-believe BlueZ on a bus of its own."""

from __future__ import annotations

import asyncio
import os
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from acquire.clock import Clock, SystemClock
from acquire.errors import MeterUnavailable
from acquire.readings import Reading
from drivers.adverts import Adverts
from drivers.gatt import Gatt
from simulators.ble_speech import BLE_DIALECTS, BleMeter, ble_meter
from simulators.private_bus import PrivateBus
from tests.shown import SHOWN as WATER

if TYPE_CHECKING:
    from simulators.bluez import BlueZ


QUICK = """
[link]
search_s = 2.0
connect_s = 2.0
timeout_s = 0.5
"""


async def until(is_so: Callable[[], object], within_s: float = 5.0) -> None:
    """Let the loop turn until something is so."""
    async with asyncio.timeout(within_s):
        while not is_so():  # noqa: ASYNC110  (what is waited for has no event)
            await asyncio.sleep(0.001)


class World:
    """A bus, a BlueZ on it, and meters within reach."""

    water = WATER

    def __init__(self, bus: PrivateBus, bluez: BlueZ, folder: Path) -> None:
        self.bus = bus
        self.bluez = bluez
        self._folder = folder
        self._count = 0

    def meter(self, speaks: str = "packed") -> BleMeter:
        """Put one into the air."""
        self._count += 1
        meter = ble_meter(speaks, f"C0:FF:EE:00:00:{self._count:02X}")
        self.bluez.add(meter.peripheral)
        return meter

    def driver(
        self,
        meter: BleMeter,
        speaks: str = "packed",
        *,
        more: str = QUICK,
        reads: bool = False,
        clock: Clock | None = None,
        **settings: str,
    ) -> Gatt | Adverts:
        """Make the driver for it, with the shipped profile and a few keys more."""
        dialect = BLE_DIALECTS[speaks]
        shipped = Path("drivers/profiles") / dialect.driver / f"{speaks}.toml"
        text = (Path(__file__).parents[2] / shipped).read_text(encoding="utf-8")
        if dialect.driver == "gatt":
            text += more
        if reads:
            text = text.replace('get = "notify"', 'get = "read"')
        profile = self._folder / f"{speaks}{self._count}.toml"
        profile.write_text(text, encoding="utf-8")
        return self.with_profile(meter, profile, dialect.driver, clock, **settings)

    def with_profile(
        self,
        meter: BleMeter,
        profile: Path,
        driver: str = "gatt",
        clock: Clock | None = None,
        **settings: str,
    ) -> Gatt | Adverts:
        kind = {"gatt": Gatt, "adverts": Adverts}[driver]
        table = {"profile": str(profile), "address": meter.peripheral.address, **settings}
        made: Gatt | Adverts = kind(
            kind.Settings.model_validate(table), meter="bench", clock=clock or SystemClock()
        )
        return made

    @staticmethod
    async def next(readings: AsyncIterator[Reading], meter: BleMeter | None = None) -> Reading:
        """Have the meter say something and give the reading that becomes of it."""
        if meter is not None:
            meter.say(WATER)
        async with asyncio.timeout(5):
            return await anext(readings)

    @staticmethod
    @asynccontextmanager
    async def opened(driver: Gatt | Adverts) -> AsyncIterator[AsyncIterator[Reading]]:
        """Open it, trying again while Bluetooth comes back: that takes a moment."""
        async with AsyncExitStack() as stack:
            async with asyncio.timeout(5):
                while True:
                    try:
                        readings = await stack.enter_async_context(driver.open())
                        break
                    except MeterUnavailable:
                        await asyncio.sleep(0.01)
            yield readings

    until = staticmethod(until)
    descriptors = staticmethod(lambda: sum(1 for _ in Path("/proc/self/fd").iterdir()))

    async def connections(self) -> int:
        """How many programs are on the bus, this question included."""
        from dbus_fast import Message
        from dbus_fast.aio import MessageBus

        bus = MessageBus(bus_address=self.bus.address)
        await bus.connect()
        names = await bus.call(
            Message(
                destination="org.freedesktop.DBus",
                path="/org/freedesktop/DBus",
                interface="org.freedesktop.DBus",
                member="ListNames",
            )
        )
        bus.disconnect()
        await bus.wait_for_disconnect()
        return sum(name.startswith(":") for name in names.body[0])


@pytest.fixture
async def bus(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[PrivateBus]:
    if not PrivateBus.is_possible():
        reason = "the program dbus-daemon is not installed (Debian package dbus-daemon)"
        if os.environ.get("CI"):
            pytest.fail(f"{reason}: these tests are never skipped in CI")
        pytest.skip(reason)
    async with PrivateBus() as bus:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bus.address)
        yield bus
        # bleak keeps one connection for each loop; it ends with the bus, and its task with it.
        await bus.kill()
        await until(lambda: len(asyncio.all_tasks()) == 1)


@pytest.fixture
async def world(bus: PrivateBus, tmp_path: Path) -> AsyncIterator[World]:
    from simulators.bluez import BlueZ  # Linux only, as is the program looked for before

    async with BlueZ(bus.address) as bluez:
        yield World(bus, bluez, tmp_path)
