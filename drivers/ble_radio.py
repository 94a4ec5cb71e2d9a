"""The border to bleak: its clients behind `drivers.ble_link`, its errors made ours."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncGenerator, Callable, Iterator, Sequence
from contextlib import asynccontextmanager, contextmanager, suppress
from typing import TYPE_CHECKING

import bleak
from bleak.exc import BleakDBusError, BleakGATTProtocolError

from acquire.clock import Clock
from acquire.errors import MeterLost
from drivers.ble_link import Advert, Link, Mailbox, Offer, Refused
from drivers.ble_scan import SharedScan
from drivers.ble_words import LINK_ERRORS, explain, unavailable

if TYPE_CHECKING:
    from bleak.backends.adapter import BaseBleakAdapter
    from bleak.backends.client import BaseBleakClient
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData, BaseBleakScanner

__all__ = ["BleakRadio"]

_CLOSE_S = 2.0
"""For the service to close a link; then it is left behind: the socket to the service closes."""
_SILENT_S = 3.0
"""A device that is not heard of for so long may be connected already."""
_PAIRING = {0x05, 0x08, 0x0C, 0x0F}
"""ATT errors that pairing cures (Core Specification, volume 3, part F, 3.4.1.1)."""
_NOT_PERMITTED = "org.bluez.Error.NotPermitted"
"""BlueZ's word for what needs pairing, where it is not about reading or writing as such."""
_EVERYWHERE = ["1800", "1801", "180a", "180f", "181a"]
"""Services by which a link left over from another program is found; the first is mandatory."""

_log = logging.getLogger(__name__)


class BleakRadio:
    """The machine's Bluetooth; the three backends stand in for it in tests."""

    def __init__(
        self,
        *,
        scanner: type[BaseBleakScanner] | None = None,
        client: type[BaseBleakClient] | None = None,
        adapter: type[BaseBleakAdapter] | None = None,
    ) -> None:
        self.scanner, self.client, self.adapter = scanner, client, adapter
        self._scans: dict[str, SharedScan] = {}

    @asynccontextmanager
    async def listen(
        self, wanted: Callable[[Advert], bool], *, adapter: str = ""
    ) -> AsyncGenerator[Mailbox[Advert]]:
        box: Mailbox[Advert] = Mailbox()

        def hear(device: BLEDevice, data: AdvertisementData) -> None:
            advert = _advert(device, data)
            if wanted(advert):
                box.put(advert)

        async with self._scan(adapter).heard_by(hear):
            yield box

    @asynccontextmanager
    async def connect(
        self, address: str, *, clock: Clock, search_s: float, connect_s: float, adapter: str = ""
    ) -> AsyncGenerator[Link]:
        device = await self._find(address, clock=clock, search_s=search_s, adapter=adapter)
        link = _BleakLink(address)
        client = bleak.BleakClient(
            device,
            disconnected_callback=link.closed,
            timeout=2 * connect_s + 60.0,  # ours, in the meter's own time, comes first
            bluez={"adapter": adapter} if adapter else {},
            backend=self.client,
        )
        try:
            with unavailable(address, f"does not connect within {connect_s:g} s"):
                async with clock.timeout(connect_s):
                    await client.connect()
            link.open(client)
            yield link
        finally:
            link.client = None
            await _close(client, address)

    async def check(self, *, adapter: str = "") -> None:
        try:
            await self._adapter(adapter)
        except LINK_ERRORS as error:
            raise MeterLost(explain(error)[1]) from error

    def _scan(self, adapter: str) -> SharedScan:
        return self._scans.setdefault(adapter, SharedScan(self.scanner, adapter))

    async def _adapter(self, adapter: str) -> bleak.BleakAdapter | None:
        with suppress(NotImplementedError):  # not every system can say
            return await bleak.BleakAdapter.get(
                bluez={"adapter": adapter} if adapter else {}, backend=self.adapter
            )
        return None

    async def _find(
        self, address: str, *, clock: Clock, search_s: float, adapter: str
    ) -> BLEDevice:
        found: asyncio.Future[BLEDevice] = asyncio.get_running_loop().create_future()

        def hear(device: BLEDevice, _data: AdvertisementData) -> None:
            if device.address.upper() == address.upper() and not found.done():
                found.set_result(device)

        late = f"was not heard of within {search_s:g} s: is the meter switched on and near?"
        with unavailable(address, f"{late} (Some are silent while a phone holds them.)"):
            async with clock.timeout(search_s), self._scan(adapter).heard_by(hear):
                with suppress(TimeoutError):
                    async with clock.timeout(min(_SILENT_S, search_s / 2)):
                        return await asyncio.shield(found)
                # Last, because the system remembers links that fell with a crash of its service.
                held = await self._held(address, adapter)
                return await found if held is None else held

    async def _held(self, address: str, adapter: str) -> BLEDevice | None:
        """Find a link that a crashed program has left open: such a device is silent."""
        system = await self._adapter(adapter)
        devices = [] if system is None else await system.get_connected_devices(_EVERYWHERE)
        return next((one for one in devices if one.address.upper() == address.upper()), None)


class _BleakLink:
    """A connection, as `drivers.ble_link.Link` has it."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.client: bleak.BleakClient | None = None
        """None before the connection stands and after it was closed."""
        self._box: Mailbox[tuple[int, bytes]] = Mailbox()
        self._offers: Sequence[Offer] = ()

    def open(self, client: bleak.BleakClient) -> None:
        """Begin: from now on a disconnection is a loss. Those before were tries of bleak's own."""
        self.client = client
        with self._lost():
            self._offers = _offers(client)

    def closed(self, _client: bleak.BleakClient) -> None:
        """Told by bleak of every disconnection, our own and those of its retries included."""
        if self.client is not None:
            self._box.end("the link was lost: out of range, switched off or taken by another")

    @property
    def offers(self) -> Sequence[Offer]:
        return self._offers

    async def read(self, offer: Offer) -> bytes:
        with self._lost():
            return bytes(await self._open.read_gatt_char(offer.handle))

    async def read_descriptor(self, handle: int) -> bytes:
        with self._lost():
            return bytes(await self._open.read_gatt_descriptor(handle))

    async def subscribe(self, offer: Offer) -> None:
        def hear(_sender: object, data: bytearray) -> None:
            self._box.put((offer.handle, bytes(data)))

        with self._lost():
            await self._open.start_notify(offer.handle, hear)

    async def next(self) -> tuple[int, bytes]:
        return await self._box.take()

    @property
    def _open(self) -> bleak.BleakClient:
        self._box.check()
        if self.client is None:
            raise MeterLost("the link is closed")
        return self.client

    @contextmanager
    def _lost(self) -> Iterator[None]:
        try:
            yield
        except BleakGATTProtocolError as error:
            needs = int(error.code) in _PAIRING
            raise Refused(f"refused: {error.args[-1]}", needs_pairing=needs) from error
        except BleakDBusError as error:
            if error.dbus_error != _NOT_PERMITTED:
                raise self._broken(error) from error
            raise Refused(f"refused: {error.dbus_error_details}", needs_pairing=True) from error
        except TimeoutError:
            raise  # the caller's own time-out
        except LINK_ERRORS as error:
            raise self._broken(error) from error

    def _broken(self, error: Exception) -> MeterLost:
        """Give the loss itself where it is known: it says more than what failed after it."""
        return self._box.over or MeterLost(f"the link is broken: {explain(error)[1]}")


def _offers(client: bleak.BleakClient) -> Sequence[Offer]:
    found = [
        Offer(
            one.uuid.lower(),
            one.handle,
            one.service_uuid.lower(),
            frozenset(one.properties),
            {descriptor.uuid.lower(): descriptor.handle for descriptor in one.descriptors},
        )
        for one in client.services.characteristics.values()
    ]
    return sorted(found, key=lambda offer: offer.handle)


def _advert(device: BLEDevice, data: AdvertisementData) -> Advert:
    name = data.local_name or device.name or ""
    return Advert(
        device.address,
        "".join(one if one.isprintable() else "?" for one in name)[:60],
        None if data.rssi == -127 else data.rssi,  # bleak's word for not known
        tuple(uuid.lower() for uuid in data.service_uuids),
        data.manufacturer_data,
        {uuid.lower(): value for uuid, value in data.service_data.items()},
    )


async def _close(client: bleak.BleakClient, address: str) -> None:
    """Disconnect, after a loss too: a client that is not closed keeps a socket open."""
    try:
        async with asyncio.timeout(_CLOSE_S):
            await client.disconnect()
    except LINK_ERRORS as error:
        _log.debug("%s does not disconnect: %s", address, error)
