"""What to do with a meter that has just been connected: what to subscribe, what to read."""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from acquire.clock import Clock
from acquire.errors import ConfigError, FrameError, MeterUnavailable, Unavailable
from acquire.readings import Channel
from drivers.ble_link import Link, Offer, Refused, offered
from drivers.codecs.gatt_formats import (
    description_text,
    read_presentation,
    short_uuid,
    uuid_text,
)
from drivers.codecs.layout import Layout
from drivers.gatt_discovery import Described, check_overrides, discover
from drivers.gatt_profile import CharacteristicTable, GattMeter

__all__ = ["Plan", "make_plan"]

_PRESENTATION, _DESCRIPTION = uuid_text(0x2904), uuid_text(0x2901)
_SERIAL, _BATTERY = uuid_text(0x2A25), uuid_text(0x2A19)
_PAIR = "it wants to be paired first: `bluetoothctl pair ADDRESS`, or the system's settings"

_log = logging.getLogger(__name__)
Answer = TypeVar("Answer")


@dataclass(frozen=True, slots=True)
class Plan:
    """For one connection; handles are those of this connection only."""

    channels: Sequence[Channel]
    layouts: Mapping[int, Layout]
    notified: Sequence[Offer]
    read: Sequence[Offer]
    names: Mapping[int, str]
    """How a characteristic is called in messages and raw texts."""
    serial: str = ""
    battery_percent: int | None = None


async def make_plan(link: Link, meter: GattMeter, clock: Clock) -> Plan:
    """Look at what the meter offers, subscribe what is to be; MeterUnavailable when it cannot be.

    Everything that is read only once is read here, before anything is subscribed.
    """
    asks = _Asks(link, clock, meter.profile.link.timeout_s)
    by_uuid = {offer.uuid: offer for offer in reversed(link.offers)}
    layouts: dict[int, Layout] = {}
    for uuid, layout in meter.layouts.items():
        if uuid not in by_uuid:
            raise _no_such(link, uuid)
        layouts[by_uuid[uuid].handle] = layout
    channels = list(meter.channels)
    if meter.profile.self_describing:
        described = [await _describe(asks, offer) for offer in link.offers]
        try:
            found = discover(meter, described)
            check_overrides(meter, found)
        except ConfigError as error:
            raise _unusable(link, str(error)) from error
        for note in found.notes:
            _log.info("%s: %s", link.address, note)
        if not found.channels and not channels:
            why = "; ".join(found.notes)
            raise _unusable(link, f"it describes no quantity that can be used: {why}")
        channels += found.channels
        layouts |= found.layouts
    serial = await asks.value(by_uuid.get(_SERIAL))
    battery = await asks.value(by_uuid.get(_BATTERY))
    wanted = [offer for offer in link.offers if offer.handle in layouts]
    notified = [offer for offer in wanted if _is_notified(link, meter, offer)]
    for offer in notified:
        await asks.granted(link.subscribe(offer), offer)
    return Plan(
        channels,
        layouts,
        notified,
        [offer for offer in wanted if offer not in notified],
        {offer.handle: short_uuid(offer.uuid) for offer in wanted},
        description_text(serial or b""),
        battery[0] if battery and battery[0] <= 100 else None,
    )


class _Asks:
    """Questions with a time limit: a service that hangs must not hold us for ever."""

    def __init__(self, link: Link, clock: Clock, timeout_s: float) -> None:
        self.link = link
        self._clock = clock
        self._timeout_s = timeout_s

    async def value(self, offer: Offer | None) -> bytes | None:
        """Read what is nice to know: nothing when it is not there or refused."""
        if offer is None or "read" not in offer.can:
            return None
        return await self._answered(self.link.read(offer))

    async def descriptor(self, offer: Offer, uuid: str) -> bytes | None:
        handle = offer.descriptors.get(uuid)
        return None if handle is None else await self._answered(self.link.read_descriptor(handle))

    async def granted(self, asked: Awaitable[None], offer: Offer) -> None:
        try:
            await self._in_time(asked)
        except Refused as error:
            reason = Unavailable.FORBIDDEN if error.needs_pairing else Unavailable.SETTINGS
            why = _PAIR if error.needs_pairing else str(error)
            raise MeterUnavailable(
                f"{self.link.address}: {short_uuid(offer.uuid)} cannot be subscribed: {why}",
                reason=reason,
            ) from error

    async def _answered(self, asked: Awaitable[bytes]) -> bytes | None:
        try:
            return await self._in_time(asked)
        except Refused as error:
            if not error.needs_pairing:
                return None
            raise MeterUnavailable(
                f"{self.link.address}: {_PAIR}", reason=Unavailable.FORBIDDEN
            ) from error

    async def _in_time(self, asked: Awaitable[Answer]) -> Answer:
        try:
            async with self._clock.timeout(self._timeout_s):
                return await asked
        except TimeoutError as error:
            raise MeterUnavailable(
                f"{self.link.address} is connected, but gives no answer within "
                f"{self._timeout_s:g} s"
            ) from error


async def _describe(asks: _Asks, offer: Offer) -> Described:
    text = await asks.descriptor(offer, _DESCRIPTION)
    presentation = await asks.descriptor(offer, _PRESENTATION)
    try:
        format_ = None if presentation is None else read_presentation(presentation)
    except FrameError as error:
        _log.info("%s: %s: %s", asks.link.address, short_uuid(offer.uuid), error)
        format_ = None
    return Described(offer.uuid, offer.handle, description_text(text or b""), format_)


def _is_notified(link: Link, meter: GattMeter, offer: Offer) -> bool:
    table = meter.profile.characteristics.get(offer.uuid, CharacteristicTable())
    can = {"notify": offer.notifies, "read": "read" in offer.can}
    get = table.get or ("notify" if offer.notifies else "read")
    if not can[get]:
        raise _unusable(
            link,
            f"{short_uuid(offer.uuid)} cannot be got by {get}; it can: "
            f"{', '.join(sorted(offer.can)) or 'nothing'}",
        )
    return get == "notify"


def _no_such(link: Link, uuid: str) -> MeterUnavailable:
    return _unusable(
        link,
        f"it has no characteristic {short_uuid(uuid)}; it offers {offered(link.offers)}",
    )


def _unusable(link: Link, why: str) -> MeterUnavailable:
    return MeterUnavailable(f"{link.address}: {why}", reason=Unavailable.SETTINGS)
