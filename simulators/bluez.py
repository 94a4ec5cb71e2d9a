"""A make-believe BlueZ: owns the name `org.bluez` on a private bus, shows simulated peripherals.

With it the real Linux backend of bleak runs where there is no Bluetooth at all; a program needs
only DBUS_SYSTEM_BUS_ADDRESS in its environment. It follows what BlueZ 5 does, faults included:
links that break, a service that stops, crashes without a word or hangs, an adapter switched off,
devices that refuse, are slow, or are forgotten. Written from the names and rules of the BlueZ D-Bus
interface as bleak uses them.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from types import TracebackType
from typing import Any, Self

from dbus_fast import Message, MessageType, Variant
from dbus_fast.aio import MessageBus

from simulators.ble_peripheral import Characteristic, Peripheral
from simulators.bluez_objects import (
    ADAPTER,
    ADAPTER_PATH,
    CHARACTERISTIC,
    DEVICE,
    Objects,
    device_path,
)
from simulators.bluez_replies import FAILED, answer, error, refusal

__all__ = ["BlueZ"]


class BlueZ:
    """The service; start and stop it as often as wanted. `objects` is what it shows."""

    def __init__(self, address: str) -> None:
        self.objects = Objects(self._signal)
        self.peripherals: dict[str, Peripheral] = {}
        """By path."""
        self.is_hung = False
        """Takes calls and never answers."""
        self.reads = 0
        self._address = address
        self._bus: MessageBus | None = None
        self._scans: dict[str, bool] = {}
        """Who scans, by unique name, and whether repeated adverts are wanted."""
        self._wanted = False
        self._subscribed: set[str] = set()
        self._connecting: dict[str, asyncio.Task[None]] = {}

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.stop()

    async def start(self) -> None:
        """Take the name, then announce the adapter, in the order of the real one."""
        self._bus = bus = MessageBus(bus_address=self._address, negotiate_unix_fd=True)
        try:
            await bus.connect()
            bus.add_message_handler(self._handle)
            await bus.request_name("org.bluez")
        except BaseException:
            bus.disconnect()
            raise
        await bus.call(
            Message(
                destination="org.freedesktop.DBus",
                path="/org/freedesktop/DBus",
                interface="org.freedesktop.DBus",
                member="AddMatch",
                signature="s",
                body=["type='signal',member='NameOwnerChanged'"],
            )
        )
        self.objects.add_adapter()

    async def stop(self) -> None:
        """End as on `systemctl stop`: links closed, objects taken away, the name given back."""
        for peripheral in self.peripherals.values():
            self.on_drop(peripheral)
        self.objects.clear()
        await self.crash()

    async def crash(self) -> None:
        """Be gone without a word; what was connected stays so for those who remember."""
        bus, self._bus = self._bus, None
        for task in self._connecting.values():
            task.cancel()
        await asyncio.gather(*self._connecting.values(), return_exceptions=True)
        self._connecting.clear()
        self._scans.clear()
        self._subscribed.clear()
        self.objects.forget_all()
        if bus is not None:
            bus.disconnect()
            with contextlib.suppress(Exception):  # the bus may have died first: gone is gone
                await bus.wait_for_disconnect()  # type: ignore[no-untyped-call]

    def add(self, peripheral: Peripheral) -> None:
        self.peripherals[device_path(peripheral.address)] = peripheral
        peripheral.fronts.append(self)

    def switch(self, *, on: bool) -> None:
        """Switch the adapter; off, links break and every scan ends for good."""
        if not on:
            for peripheral in self.peripherals.values():
                self.on_drop(peripheral)
            self._scans.clear()
        self.objects.change(ADAPTER_PATH, ADAPTER, {"Powered": Variant("b", on)})

    def forget(self, peripheral: Peripheral) -> None:
        """Remove the device, as after half a minute without news of it."""
        self.on_drop(peripheral)
        self.objects.remove(device_path(peripheral.address))

    def hold(self, peripheral: Peripheral) -> None:
        """Have the device connected by a program that is no more."""
        path = device_path(peripheral.address)
        self._see(path, peripheral)
        self.objects.connect(path, peripheral)

    # What happens in the air.

    def on_advert(self, peripheral: Peripheral) -> None:
        path = device_path(peripheral.address)
        if self._bus is None or not self._scans or self.objects.is_connected(path):
            return
        self._see(path, peripheral)
        self.objects.advertise(path, peripheral, again=any(self._scans.values()))

    def on_notify(self, peripheral: Peripheral, characteristic: Characteristic) -> None:
        path = self.objects.path_of(device_path(peripheral.address), characteristic)
        if path in self._subscribed:
            self._send_value(path, characteristic)

    def on_drop(self, peripheral: Peripheral) -> None:
        path = device_path(peripheral.address)
        self._subscribed = {one for one in self._subscribed if not one.startswith(path)}
        self.objects.disconnect(path)

    def _see(self, path: str, peripheral: Peripheral) -> None:
        if path not in self.objects.table:
            self.objects.add_device(path, peripheral)

    def _send_value(self, path: str, characteristic: Characteristic) -> None:
        value = Variant("ay", bytes(characteristic.value))
        self.objects.change(path, CHARACTERISTIC, {"Value": value})

    # What programs ask.

    def _signal(self, path: str, interface: str, member: str, signature: str, body: Any) -> None:
        if self._bus is not None and self._bus.connected:
            self._bus.send(Message.new_signal(path, interface, member, signature, body))

    def _handle(self, message: Message) -> Message | bool | None:
        if message.member == "NameOwnerChanged" and message.body[2] == "":
            self._scans.pop(message.body[0], None)  # its scan ends with the program
            return None
        if message.message_type is not MessageType.METHOD_CALL:
            return None
        if self.is_hung:
            return True
        methods: dict[str, Callable[[Message], Message | bool]] = {
            "GetManagedObjects": lambda m: answer(m, "a{oa{sa{sv}}}", [self.objects.table]),
            "SetDiscoveryFilter": self._filter,
            "StartDiscovery": self._start_discovery,
            "StopDiscovery": self._stop_discovery,
            "Connect": self._connect,
            "Disconnect": self._disconnect,
            "ReadValue": self._read,
            "StartNotify": self._start_notify,
            "StopNotify": self._stop_notify,
        }
        if message.member not in methods:
            return None
        if message.member != "GetManagedObjects" and message.path not in self.objects.table:
            return error(message, "org.freedesktop.DBus.Error.UnknownObject", "no such object")
        return methods[message.member](message)

    def _filter(self, message: Message) -> Message:
        wanted = message.body[0].get("DuplicateData")
        self._wanted = wanted is not None and bool(wanted.value)
        return answer(message)

    def _start_discovery(self, message: Message) -> Message:
        if not self.objects.is_powered:
            return error(message, "org.bluez.Error.NotReady", "Resource Not Ready")
        if message.sender in self._scans:
            return error(message, "org.bluez.Error.InProgress", "Operation already in progress")
        self._scans[str(message.sender)] = self._wanted
        loop = asyncio.get_running_loop()
        for peripheral in self.peripherals.values():
            if peripheral.is_on:
                loop.call_soon(self.on_advert, peripheral)
        return answer(message)

    def _stop_discovery(self, message: Message) -> Message:
        if self._scans.pop(str(message.sender), None) is None:
            return error(message, FAILED, "No discovery started")
        if not self._scans:
            self.objects.drop_signal_strengths()
        return answer(message)

    def _connect(self, message: Message) -> Message | bool:
        path = str(message.path)
        if path in self._connecting:
            return error(message, "org.bluez.Error.InProgress", "Operation already in progress")
        self._connecting[path] = asyncio.ensure_future(self._connecting_to(path, message))
        return True

    async def _connecting_to(self, path: str, message: Message) -> None:
        peripheral = self.peripherals[path]
        try:
            if peripheral.is_slow or not peripheral.is_on:
                await asyncio.get_running_loop().create_future()
            await asyncio.sleep(0)
            if peripheral.aborts:
                peripheral.aborts -= 1
                self.objects.change(path, DEVICE, {"Connected": Variant("b", True)})
                self.objects.change(path, DEVICE, {"Connected": Variant("b", False)})
                self._send(error(message, FAILED, "le-connection-abort-by-local"))
            elif peripheral.refusals:
                peripheral.refusals -= 1
                self._send(error(message, FAILED, "br-connection-refused"))
            else:
                self.objects.connect(path, peripheral)
                self._send(answer(message))
        finally:
            self._connecting.pop(path, None)

    def _disconnect(self, message: Message) -> Message:
        path = str(message.path)
        task = self._connecting.pop(path, None)
        if task is not None:
            task.cancel()
        self.on_drop(self.peripherals[path])
        return answer(message)

    def _read(self, message: Message) -> Message:
        path = str(message.path)
        self.reads += 1
        found = self.objects.leaf(path)
        if isinstance(found, bytes):
            return answer(message, "ay", [found])
        if found.refuses:
            return refusal(message, found.refuses)
        # As BlueZ does: a read of what is subscribed is told as a notification too.
        self._send_value(path, found)
        return answer(message, "ay", [bytes(found.value)])

    def _start_notify(self, message: Message) -> Message:
        found = self.objects.leaf(str(message.path))
        if not isinstance(found, bytes) and found.refuses:
            return refusal(message, found.refuses)
        self._subscribed.add(str(message.path))
        return answer(message)

    def _stop_notify(self, message: Message) -> Message:
        self._subscribed.discard(str(message.path))
        return answer(message)

    def _send(self, message: Message) -> None:
        if self._bus is not None and self._bus.connected:
            self._bus.send(message)
