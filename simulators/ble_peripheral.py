"""A Bluetooth LE device as it is in the air: what it broadcasts, what it offers. Knows no stack.

A front (`ble_memory`, `bluez`) shows it to programs. Nothing here waits or sends by itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from drivers.codecs.gatt_formats import uuid_text

__all__ = ["Characteristic", "Front", "Peripheral", "Service"]


@dataclass(slots=True)
class Characteristic:
    """One value; `description` and `presentation` are the descriptors 0x2901 and 0x2904."""

    uuid: str
    can: tuple[str, ...]
    """Of "read", "notify", "indicate"."""
    value: bytes = b""
    description: str = ""
    presentation: bytes = b""
    refuses: int = 0
    """ATT error that a read or a subscription gets; 0 for none."""

    @property
    def descriptors(self) -> Sequence[tuple[str, bytes]]:
        """UUID and value of each descriptor."""
        found = [
            (uuid_text(0x2901), self.description.encode()),
            (uuid_text(0x2904), self.presentation),
        ]
        return [one for one in found if one[1]]


@dataclass(slots=True)
class Service:
    uuid: str
    characteristics: Sequence[Characteristic]


class Front(Protocol):
    """What shows a peripheral to programs."""

    def on_advert(self, peripheral: Peripheral) -> None: ...
    def on_notify(self, peripheral: Peripheral, characteristic: Characteristic) -> None: ...
    def on_drop(self, peripheral: Peripheral) -> None: ...


@dataclass(eq=False)
class Peripheral:
    """A device; the counts at the end are faults to come."""

    address: str
    name: str = ""
    services: Sequence[Service] = ()
    rssi: int = -60
    manufacturer: Mapping[int, bytes] = field(default_factory=dict)
    service_data: Mapping[str, bytes] = field(default_factory=dict)
    is_on: bool = True
    """Off it is silent and cannot be connected."""
    refusals: int = 0
    """So many attempts to connect fail."""
    aborts: int = 0
    """So many connect and break before they are of use; BlueZ has a name of its own for that."""
    is_slow: bool = False
    """Attempts to connect hang until they are given up."""
    fronts: list[Front] = field(default_factory=list)

    @property
    def characteristics(self) -> Iterator[Characteristic]:
        return (one for service in self.services for one in service.characteristics)

    def find(self, uuid: str) -> Characteristic:
        """Give the characteristic of that UUID; KeyError when there is none."""
        for one in self.characteristics:
            if one.uuid == uuid:
                return one
        raise KeyError(uuid)

    def advertise(
        self,
        *,
        manufacturer: Mapping[int, bytes] | None = None,
        service_data: Mapping[str, bytes] | None = None,
    ) -> None:
        """Send one advert, with new data where some is given."""
        self.manufacturer = self.manufacturer if manufacturer is None else manufacturer
        self.service_data = self.service_data if service_data is None else service_data
        if self.is_on:
            self._tell(lambda front: front.on_advert(self))

    def notify(self, uuid: str, value: bytes) -> None:
        """Change a value and notify whoever has subscribed."""
        characteristic = self.find(uuid)
        characteristic.value = value
        self._tell(lambda front: front.on_notify(self, characteristic))

    def drop(self) -> None:
        """Lose the link, as by going out of range for a moment."""
        self._tell(lambda front: front.on_drop(self))

    def switch(self, *, on: bool) -> None:
        self.is_on = on
        if not on:
            self.drop()

    def _tell(self, what: Callable[[Front], None]) -> None:
        for front in tuple(self.fronts):
            what(front)
