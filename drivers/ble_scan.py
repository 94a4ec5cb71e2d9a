"""The one scan of an adapter, shared by everybody in the process.

The system's Bluetooth service gives a program no second scan. One that has gone deaf, because the
service was restarted under it, is started anew when somebody joins it.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncGenerator, Callable
from contextlib import asynccontextmanager, suppress
from typing import TYPE_CHECKING, Any

import bleak

from drivers.ble_words import LINK_ERRORS, unavailable

if TYPE_CHECKING:
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData, BaseBleakScanner

__all__ = ["DEAF_S", "SharedScan"]

DEAF_S = 10.0
"""A scan that hears nobody at all for so long may be dead; real seconds, a fact of the machine."""
_START_S = 10.0
_STOP_S = 2.0

_log = logging.getLogger(__name__)

_Heard = Callable[["BLEDevice", "AdvertisementData"], None]


class SharedScan:
    """Runs while anybody listens."""

    def __init__(self, backend: type[BaseBleakScanner] | None, adapter: str) -> None:
        self._backend = backend
        self._adapter = adapter
        self._listeners: list[_Heard] = []
        self._scanner: bleak.BleakScanner | None = None
        self._heard_s = 0.0
        self._lock = asyncio.Lock()

    @asynccontextmanager
    async def heard_by(self, listener: _Heard) -> AsyncGenerator[None]:
        """Have the listener called for each advert; MeterUnavailable without an adapter."""
        self._listeners.append(listener)  # first: adverts come as soon as the scan runs
        try:
            async with self._lock:
                now_s = asyncio.get_running_loop().time()
                if self._scanner is not None and now_s - self._heard_s > DEAF_S:
                    await self._stop()
                if self._scanner is None:
                    await self._start()
            yield
        finally:
            self._listeners.remove(listener)
            async with self._lock:
                if not self._listeners:
                    await self._stop()

    def _hear(self, device: BLEDevice, data: AdvertisementData) -> None:
        self._heard_s = asyncio.get_running_loop().time()
        for listener in tuple(self._listeners):
            listener(device, data)

    async def _start(self) -> None:
        # Told of every advert, not only of changed ones: a probe at rest sends the same again.
        bluez: Any = {"filters": {"DuplicateData": True}}
        if self._adapter:
            bluez["adapter"] = self._adapter
        scanner = bleak.BleakScanner(self._hear, bluez=bluez, backend=self._backend)
        starting = asyncio.ensure_future(scanner.start())
        try:
            with unavailable("", "the Bluetooth scan does not start"):
                async with asyncio.timeout(_START_S):
                    await asyncio.shield(starting)
        except BaseException:
            # Half a start would leave the service scanning for us, and refuse the next one.
            with suppress(*LINK_ERRORS, asyncio.CancelledError):
                async with asyncio.timeout(_STOP_S):
                    await starting
                    await scanner.stop()
            raise
        self._scanner = scanner
        self._heard_s = asyncio.get_running_loop().time()

    async def _stop(self) -> None:
        scanner, self._scanner = self._scanner, None
        if scanner is None:
            return
        try:
            async with asyncio.timeout(_STOP_S):
                await scanner.stop()
        except LINK_ERRORS as error:
            _log.debug("the scan does not stop: %s", error)
