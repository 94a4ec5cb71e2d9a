"""A Bluetooth that is only in memory: backends that bleak takes in the place of the system's.

Works on every system and without D-Bus. What lives in the system's own stack (lost sockets, a
service that crashes) does not happen here: `simulators.bluez` has that.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

from bleak.backends.adapter import BaseBleakAdapter
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient
from bleak.backends.descriptor import BleakGATTDescriptor
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData, BaseBleakScanner
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakError,
    BleakGATTProtocolError,
)

from simulators.ble_peripheral import Characteristic, Peripheral

__all__ = ["Air"]


class Air:
    """The devices within reach of one adapter, which may be switched off."""

    def __init__(self, *peripherals: Peripheral) -> None:
        self.is_on = True
        self.peripherals: list[Peripheral] = []
        self.scanners: list[_Scanner] = []
        self.clients: list[_Client] = []
        """Those that are connected."""
        self.adapter = type("MemoryAdapter", (_Adapter,), {"air": self})
        self.client = type("MemoryClient", (_Client,), {"air": self})
        self.scanner = type("MemoryScanner", (_Scanner,), {"air": self})
        for peripheral in peripherals:
            self.add(peripheral)

    def add(self, peripheral: Peripheral) -> None:
        self.peripherals.append(peripheral)
        peripheral.fronts.append(self)

    def switch(self, *, on: bool) -> None:
        """Switch the adapter: links break, and a scan under way falls silent for good."""
        self.is_on = on
        if not on:
            self.scanners.clear()
            for client in tuple(self.clients):
                client.lose()

    def check(self) -> None:
        if not self.is_on:
            raise BleakBluetoothNotAvailableError(
                "switched off", BleakBluetoothNotAvailableReason.POWERED_OFF
            )

    def on_advert(self, peripheral: Peripheral) -> None:
        # A connected device is silent, as most are.
        if all(client.peripheral is not peripheral for client in self.clients):
            for scanner in tuple(self.scanners):
                scanner.hear(peripheral)

    def on_notify(self, peripheral: Peripheral, characteristic: Characteristic) -> None:
        for client in tuple(self.clients):
            callback = client.subscribed.get(characteristic.uuid)
            if client.peripheral is peripheral and callback is not None:
                callback(bytearray(characteristic.value))

    def on_drop(self, peripheral: Peripheral) -> None:
        for client in tuple(self.clients):
            if client.peripheral is peripheral:
                client.lose()


class _Adapter(BaseBleakAdapter):
    air: Air

    @classmethod
    async def get(cls, **_kwargs: Any) -> _Adapter:
        cls.air.check()
        return cls()

    async def get_connected_devices(self, service_uuids: frozenset[str]) -> list[BLEDevice]:
        del service_uuids  # nothing is ever left connected here
        return []


class _Scanner(BaseBleakScanner):
    air: Air

    def __init__(
        self,
        detection_callback: Any,
        service_uuids: list[str] | None,
        _mode: str,
        **_kwargs: Any,
    ) -> None:
        super().__init__(detection_callback, service_uuids)
        self.seen_devices = {}

    async def start(self) -> None:
        self.air.check()
        self.air.scanners.append(self)
        # From a later turn of the loop: inside start() the listener is not there yet.
        loop = asyncio.get_running_loop()
        for peripheral in self.air.peripherals:
            if peripheral.is_on:
                loop.call_soon(self.air.on_advert, peripheral)

    async def stop(self) -> None:
        if self in self.air.scanners:
            self.air.scanners.remove(self)

    def hear(self, peripheral: Peripheral) -> None:
        data = AdvertisementData(
            peripheral.name or None,
            dict(peripheral.manufacturer),
            dict(peripheral.service_data),
            [service.uuid for service in peripheral.services],
            None,
            peripheral.rssi,
            (),
        )
        device = self.create_or_update_device(
            peripheral.address, peripheral.address, peripheral.name or None, peripheral, data
        )
        self.call_detection_callbacks(device, data)


class _Client(BaseBleakClient):
    air: Air

    def __init__(self, device: BLEDevice | str, **kwargs: Any) -> None:
        super().__init__(
            device,
            disconnected_callback=kwargs["disconnected_callback"],
            timeout=kwargs["timeout"],
        )
        self.peripheral: Peripheral | None = None if isinstance(device, str) else device.details
        self.subscribed: dict[str, Callable[[bytearray], None]] = {}

    @property
    def name(self) -> str:
        return self.peripheral.name if self.peripheral else ""

    @property
    def mtu_size(self) -> int:
        return 23

    @property
    def is_connected(self) -> bool:
        return self in self.air.clients

    async def connect(self, pair: bool, **_kwargs: Any) -> None:  # noqa: ARG002
        self.air.check()
        peripheral = self.peripheral
        if peripheral is None or not peripheral.is_on:
            raise BleakError("the device is not there")
        if peripheral.is_slow:
            await asyncio.get_running_loop().create_future()
        if peripheral.refusals:
            peripheral.refusals -= 1
            raise BleakError("the device refuses")
        self.services = _tree(peripheral)
        self.air.clients.append(self)

    async def disconnect(self) -> None:
        self.lose()

    def lose(self) -> None:
        """End the link and tell of it, however it ended: the system does not say which."""
        if self.is_connected:
            self.air.clients.remove(self)
            self.services = None
            self.subscribed.clear()
            if self._disconnected_callback is not None:
                self._disconnected_callback()

    async def pair(self, *_args: Any, **_kwargs: Any) -> None:
        raise NotImplementedError

    async def unpair(self) -> None:
        raise NotImplementedError

    async def read_gatt_char(
        self, characteristic: BleakGATTCharacteristic, **_kwargs: Any
    ) -> bytearray:
        self._check(characteristic.obj)
        callback = self.subscribed.get(characteristic.uuid)
        value = bytearray(characteristic.obj.value)
        if callback is not None:  # as BlueZ does: the read arrives as a notification too
            callback(value)
        return value

    async def read_gatt_descriptor(
        self, descriptor: BleakGATTDescriptor, **_kwargs: Any
    ) -> bytearray:
        self._check(None)
        return bytearray(descriptor.obj)

    async def write_gatt_char(
        self, characteristic: BleakGATTCharacteristic, data: Any, response: bool
    ) -> None:
        raise NotImplementedError

    async def write_gatt_descriptor(self, descriptor: BleakGATTDescriptor, data: Any) -> None:
        raise NotImplementedError

    async def start_notify(
        self,
        characteristic: BleakGATTCharacteristic,
        callback: Callable[[bytearray], None],
        **_kwargs: Any,
    ) -> None:
        self._check(characteristic.obj)
        self.subscribed[characteristic.uuid] = callback

    async def stop_notify(self, characteristic: BleakGATTCharacteristic) -> None:
        self.subscribed.pop(characteristic.uuid, None)

    def _check(self, characteristic: Characteristic | None) -> None:
        if not self.is_connected:
            raise BleakError("not connected")
        if characteristic is not None and characteristic.refuses:
            raise BleakGATTProtocolError(characteristic.refuses)


def _tree(peripheral: Peripheral) -> BleakGATTServiceCollection:
    tree, handle = BleakGATTServiceCollection(), 0
    for service in peripheral.services:
        handle += 1
        branch = BleakGATTService(service, handle, service.uuid)
        tree.add_service(branch)
        for one in service.characteristics:
            handle += 1
            can: Any = list(one.can)
            leaf = BleakGATTCharacteristic(one, handle, one.uuid, can, lambda: 20, branch)
            tree.add_characteristic(leaf)
            for uuid, value in one.descriptors:
                handle += 1
                tree.add_descriptor(BleakGATTDescriptor(value, handle, uuid, leaf))
    return tree
