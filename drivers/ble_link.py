"""What the drivers know of Bluetooth: scan, connect, read, subscribe, lost.

`drivers.ble_radio` stands behind it and is the only module that knows bleak. Addresses are kept,
never the system's device objects: it forgets those.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractAsyncContextManager, contextmanager
from dataclasses import dataclass, field
from importlib.util import find_spec
from typing import Generic, Protocol, TypeVar
from weakref import WeakKeyDictionary

from acquire.clock import Clock
from acquire.errors import ConfigError, MeterLost, MeterUnavailable, Unavailable
from drivers.codecs.gatt_formats import short_uuid

__all__ = ["Advert", "Found", "Link", "Mailbox", "Offer", "Radio", "Refused", "Scanned"]
__all__ += ["need", "offered", "owning", "scan", "system_radio"]

Item = TypeVar("Item")


class Refused(MeterLost):
    """The meter answers, but refuses what was asked; `needs_pairing` when pairing would help."""

    def __init__(self, message: str, *, needs_pairing: bool = False) -> None:
        self.needs_pairing = needs_pairing
        super().__init__(message)


@dataclass(frozen=True, slots=True)
class Advert:
    """What one device broadcasts."""

    address: str
    name: str = ""
    rssi: int | None = None
    """Signal strength in dBm; None when this is from the system's memory, not off the air."""
    services: Sequence[str] = ()
    """128-bit UUIDs."""
    manufacturer: Mapping[int, bytes] = field(default_factory=dict)
    """By company identifier, which is not part of the bytes."""
    service_data: Mapping[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Offer:
    """One characteristic of a connected device."""

    uuid: str
    handle: int
    service: str
    can: frozenset[str]
    """Of "read", "notify", "indicate", ..."""
    descriptors: Mapping[str, int] = field(default_factory=dict)
    """Handle by UUID."""

    @property
    def notifies(self) -> bool:
        return bool(self.can & {"notify", "indicate"})


@dataclass(frozen=True, slots=True)
class Found:
    """A device that was heard, as `ouzel find` shows it."""

    address: str
    name: str = ""
    rssi: int | None = None
    """Signal strength in dBm, None when not known."""
    services: Sequence[str] = ()
    """What it broadcasts or offers that a profile can use, in words."""
    advice: str = ""
    """What to put into `ouzel.toml`; empty when no profile knows such a device."""


@dataclass(frozen=True, slots=True)
class Scanned:
    """What a scan gave: a sequence of devices, or why there is none."""

    devices: Sequence[Found]
    problem: str = ""

    def __iter__(self) -> Iterator[Found]:
        return iter(self.devices)

    def __len__(self) -> int:
        return len(self.devices)


class Link(Protocol):
    """A connected device. Whatever is asked of it after its loss raises MeterLost."""

    address: str

    @property
    def offers(self) -> Sequence[Offer]:
        """What it offers, by rising handle."""
        ...

    async def read(self, offer: Offer) -> bytes:
        """Give the value now; `Refused` when the device says no."""
        ...

    async def read_descriptor(self, handle: int) -> bytes: ...

    async def subscribe(self, offer: Offer) -> None:
        """Have its notifications come to `next`; do not read it from then on."""
        ...

    async def next(self) -> tuple[int, bytes]:
        """Wait for a notification: handle of the characteristic, and bytes."""
        ...


class Radio(Protocol):
    """The Bluetooth of this machine."""

    def listen(
        self, wanted: Callable[[Advert], bool], *, adapter: str = ""
    ) -> AbstractAsyncContextManager[Mailbox[Advert]]:
        """Hear the adverts that are wanted; MeterUnavailable without a working adapter."""
        ...

    def connect(
        self, address: str, *, clock: Clock, search_s: float, connect_s: float, adapter: str = ""
    ) -> AbstractAsyncContextManager[Link]:
        """Own a connection; it is closed however the block ends."""
        ...

    async def check(self, *, adapter: str = "") -> None:
        """MeterLost when there is no working adapter any more."""
        ...


class Mailbox(Generic[Item]):
    """What has come and was not taken yet; when it is full the oldest goes and is counted.

    Lives in the event loop: call it from there only.
    """

    def __init__(self, limit: int = 256) -> None:
        self.dropped = 0
        self._items: deque[Item] = deque(maxlen=limit)
        self._end: str | None = None
        self._news = asyncio.Event()

    def put(self, item: Item) -> None:
        if self._end is None:
            self.dropped += len(self._items) == self._items.maxlen
            self._items.append(item)
            self._news.set()

    def end(self, why: str) -> None:
        """Say that nothing more will come; the first reason stands."""
        self._end = self._end or why
        self._news.set()

    @property
    def over(self) -> MeterLost | None:
        """Why nothing more will come; None while something may."""
        return None if self._end is None else MeterLost(self._end)

    def check(self) -> None:
        """Raise when it is over."""
        if self.over is not None:
            raise self.over

    async def take(self) -> Item:
        """Wait for the oldest; MeterLost once it is over and empty."""
        while not self._items:
            self.check()
            self._news.clear()
            await self._news.wait()
        return self._items.popleft()


def need(module: str) -> None:
    """ConfigError when a package that Bluetooth needs is not installed."""
    if find_spec(module) is None:
        raise ConfigError(
            f"Bluetooth needs the package {module}, which is not installed",
            allowed="pip install 'bleak>=3.1,<4' cryptography",
        )


_radios: WeakKeyDictionary[asyncio.AbstractEventLoop, Radio] = WeakKeyDictionary()


def system_radio() -> Radio:
    """Give the one radio of this event loop."""
    from drivers.ble_radio import BleakRadio  # noqa: PLC0415  (loads only for a Bluetooth meter)

    return _radios.setdefault(asyncio.get_running_loop(), BleakRadio())


_owners: dict[str, str] = {}


@contextmanager
def owning(address: str, meter: str) -> Iterator[None]:
    """Be the one owner of a device in this process; MeterUnavailable when another one is."""
    key = address.upper()
    if key in _owners:
        raise MeterUnavailable(
            f"{address} is read by the meter {_owners[key]} already: a Bluetooth device has one "
            "owner; take one of the two out of ouzel.toml",
            reason=Unavailable.TAKEN,
        )
    _owners[key] = meter
    try:
        yield
    finally:
        del _owners[key]


def offered(offers: Sequence[Offer]) -> str:
    """List what a device offers, for people: each characteristic and what can be done with it."""
    found = [
        f"{short_uuid(one.uuid)} ({', '.join(sorted(one.can)) or 'nothing'})" for one in offers
    ]
    return "; ".join(found[:20]) + ("; ..." if len(found) > 20 else "") if found else "nothing"


async def scan(
    seconds: float, on_found: Callable[[Found], None] | None = None, *, radio: Radio | None = None
) -> Scanned:
    """Listen for that many seconds; what is heard, the strongest first, and what to do with it.

    `on_found` is told of each device, again when more has become known of it. Without Bluetooth
    nothing is raised: `Scanned.problem` says why, and what helps.
    """
    from drivers.ble_find import look_around  # noqa: PLC0415  (knows the profiles)

    try:
        need("bleak")
        return await look_around(radio or system_radio(), seconds, on_found)
    except (ConfigError, MeterUnavailable) as error:
        hint = f"; {error.allowed}" if isinstance(error, ConfigError) else ""
        problem = f"{error.problem}{hint}" if isinstance(error, ConfigError) else str(error)
        return Scanned((), problem)
