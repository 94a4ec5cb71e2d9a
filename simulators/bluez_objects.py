"""The objects a BlueZ shows on the bus: adapter, devices, their trees; each change is told.

Properties come and go (signal strength only while somebody scans), hence plain dictionaries.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from dbus_fast import Variant

from simulators.ble_peripheral import Characteristic, Peripheral

__all__ = ["ADAPTER", "ADAPTER_PATH", "CHARACTERISTIC", "DEVICE", "Objects", "device_path"]

ADAPTER = "org.bluez.Adapter1"
DEVICE = "org.bluez.Device1"
CHARACTERISTIC = "org.bluez.GattCharacteristic1"
_SERVICE = "org.bluez.GattService1"
_DESCRIPTOR = "org.bluez.GattDescriptor1"
_MANAGER = "org.freedesktop.DBus.ObjectManager"
_PROPERTIES = "org.freedesktop.DBus.Properties"

ADAPTER_PATH = "/org/bluez/hci0"

Properties = dict[str, Variant]
Signal = Callable[[str, str, str, str, Any], None]


def device_path(address: str) -> str:
    return f"{ADAPTER_PATH}/dev_{address.replace(':', '_')}"


class Objects:
    """Paths to interfaces to properties, as GetManagedObjects answers them."""

    def __init__(self, signal: Signal) -> None:
        self.table: dict[str, dict[str, Properties]] = {}
        self._signal = signal
        self._leaves: dict[str, Characteristic | bytes] = {}

    @property
    def is_powered(self) -> bool:
        return bool(self.table[ADAPTER_PATH][ADAPTER]["Powered"].value)

    def is_connected(self, path: str) -> bool:
        return path in self.table and bool(self.table[path][DEVICE]["Connected"].value)

    def leaf(self, path: str) -> Characteristic | bytes:
        """Give a characteristic, or the bytes of a descriptor."""
        return self._leaves[path]

    def path_of(self, device: str, wanted: Characteristic) -> str:
        """Give where a characteristic of a connected device stands; empty when it does not."""
        for path, leaf in self._leaves.items():
            if leaf is wanted and path.startswith(device):
                return path
        return ""

    def add_adapter(self) -> None:
        roles = ["central", "peripheral"]
        self._add(
            ADAPTER_PATH,
            ADAPTER,
            {"Powered": Variant("b", True), "Roles": Variant("as", roles)},
        )

    def add_device(self, path: str, peripheral: Peripheral) -> None:
        properties = {
            "Address": Variant("s", peripheral.address),
            # Without a name BlueZ makes one of the address.
            "Alias": Variant("s", peripheral.name or peripheral.address.replace(":", "-")),
            "Adapter": Variant("o", ADAPTER_PATH),
            "Connected": Variant("b", False),
            "Paired": Variant("b", False),
            "ServicesResolved": Variant("b", False),
            "UUIDs": Variant("as", [service.uuid for service in peripheral.services]),
            **_advertised(peripheral),
        }
        if peripheral.name:
            properties["Name"] = Variant("s", peripheral.name)
        self._add(path, DEVICE, properties)

    def advertise(self, path: str, peripheral: Peripheral, *, again: bool) -> None:
        """Tell of an advert: of what has changed, or of everything when that is wanted `again`."""
        news = _advertised(peripheral)
        known = self.table[path][DEVICE]
        if not again:
            news = {name: value for name, value in news.items() if known.get(name) != value}
        if news:
            self.change(path, DEVICE, news)

    def drop_signal_strengths(self) -> None:
        for path, interfaces in self.table.items():
            if "RSSI" in interfaces.get(DEVICE, {}):
                del interfaces[DEVICE]["RSSI"]
                self._changed(path, DEVICE, {}, ["RSSI"])

    def connect(self, path: str, peripheral: Peripheral) -> None:
        """Link up, show the tree, then say that it is whole."""
        self.change(path, DEVICE, {"Connected": Variant("b", True)})
        handle = 0
        for service in peripheral.services:
            handle += 1
            root = f"{path}/service{handle:04x}"
            properties = {"UUID": Variant("s", service.uuid), "Device": Variant("o", path)}
            self._add(root, _SERVICE, {**properties, "Primary": Variant("b", True)})
            for one in service.characteristics:
                handle += 1
                branch = f"{root}/char{handle:04x}"
                self._leaves[branch] = one
                self._add(
                    branch,
                    CHARACTERISTIC,
                    {
                        "UUID": Variant("s", one.uuid),
                        "Service": Variant("o", root),
                        "Flags": Variant("as", list(one.can)),
                    },
                )
                for uuid, value in one.descriptors:
                    handle += 1
                    leaf = f"{branch}/desc{handle:04x}"
                    self._leaves[leaf] = value
                    properties = {"UUID": Variant("s", uuid)}
                    properties["Characteristic"] = Variant("o", branch)
                    self._add(leaf, _DESCRIPTOR, properties)
        self.change(path, DEVICE, {"ServicesResolved": Variant("b", True)})

    def disconnect(self, path: str) -> None:
        """Take the tree away and say that the link is gone; nothing when there was none."""
        if not self.is_connected(path):
            return
        for below in sorted(
            (one for one in self.table if one.startswith(f"{path}/")), reverse=True
        ):
            self.remove(below)
        self.change(path, DEVICE, {"ServicesResolved": Variant("b", False)})
        self.change(path, DEVICE, {"Connected": Variant("b", False)})

    def change(self, path: str, interface: str, news: Properties) -> None:
        self.table[path][interface] |= news
        self._changed(path, interface, news, [])

    def remove(self, path: str) -> None:
        interfaces = self.table.pop(path, None)
        self._leaves.pop(path, None)
        if interfaces is not None:
            self._signal("/", _MANAGER, "InterfacesRemoved", "oas", [path, list(interfaces)])

    def clear(self) -> None:
        """Take everything away, the deepest first."""
        for path in sorted(self.table, reverse=True):
            self.remove(path)

    def forget_all(self) -> None:
        """Lose everything without telling anybody."""
        self.table.clear()
        self._leaves.clear()

    def _add(self, path: str, interface: str, properties: Properties) -> None:
        self.table[path] = {interface: properties}
        self._signal(
            "/", _MANAGER, "InterfacesAdded", "oa{sa{sv}}", [path, {interface: properties}]
        )

    def _changed(self, path: str, interface: str, news: Properties, gone: list[str]) -> None:
        self._signal(path, _PROPERTIES, "PropertiesChanged", "sa{sv}as", [interface, news, gone])


def _advertised(peripheral: Peripheral) -> Properties:
    found = {"RSSI": Variant("n", peripheral.rssi)}
    if peripheral.manufacturer:
        data = {company: Variant("ay", value) for company, value in peripheral.manufacturer.items()}
        found["ManufacturerData"] = Variant("a{qv}", data)
    if peripheral.service_data:
        data_by_uuid = {uuid: Variant("ay", v) for uuid, v in peripheral.service_data.items()}
        found["ServiceData"] = Variant("a{sv}", data_by_uuid)
    return found
