"""Who is in the air, and which of the shipped profiles would understand them."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from drivers import advert_profile, gatt_profile
from drivers.advert_profile import BtHome, Manufacturer, Service
from drivers.ble_link import Advert, Found, Radio, Scanned
from drivers.codecs.adverts import BTHOME_UUID
from drivers.codecs.gatt_formats import uuid_text
from drivers.profile import find_profile, shipped_profiles

__all__ = ["look_around"]

_BTHOME, _SENSING = uuid_text(BTHOME_UUID), uuid_text(0x181A)


@dataclass(frozen=True, slots=True)
class _Match:
    """A profile that understands a device."""

    driver: str
    profile: str
    what: str
    more: str = ""


async def look_around(
    radio: Radio, seconds: float, on_found: Callable[[Found], None] | None = None
) -> Scanned:
    """Listen for that many seconds; MeterUnavailable without Bluetooth."""
    profiles = _Profiles()
    heard: dict[str, Advert] = {}
    found: dict[str, Found] = {}
    async with radio.listen(lambda _: True) as box:
        try:
            async with asyncio.timeout(seconds):
                while True:
                    advert = await box.take()
                    whole = _joined(heard.get(advert.address), advert)
                    heard[advert.address] = whole
                    now = _found(whole, profiles.matches(whole))
                    before = found.get(advert.address)
                    found[advert.address] = now
                    is_news = before is None or (before.name, before.advice) != (
                        now.name,
                        now.advice,
                    )
                    if is_news and on_found is not None:
                        on_found(now)
        except TimeoutError:
            pass
    strongest = sorted(found.values(), key=lambda one: (not one.advice, -(one.rssi or -127)))
    return Scanned(tuple(strongest))


def _joined(before: Advert | None, now: Advert) -> Advert:
    """Add what was heard before: name and services often come in another packet than the data."""
    if before is None:
        return now
    return Advert(
        now.address,
        now.name or before.name,
        before.rssi if now.rssi is None else now.rssi,
        tuple(dict.fromkeys((*before.services, *now.services))),
        {**before.manufacturer, **now.manufacturer},
        {**before.service_data, **now.service_data},
    )


class _Profiles:
    """The shipped profiles, and what a device that fits them broadcasts."""

    def __init__(self) -> None:
        self._gatt = {
            name: gatt_profile.assemble(find_profile(name, driver="gatt")).profile
            for name in shipped_profiles("gatt")
        }
        self._adverts = {
            name: advert_profile.assemble(find_profile(name, driver="adverts")).profile
            for name in shipped_profiles("adverts")
        }

    def matches(self, advert: Advert) -> Sequence[_Match]:
        """Give the profiles that fit, the surest first."""
        found = []
        for name, profile in self._gatt.items():
            if profile.service is not None and profile.service in advert.services:
                found.append(_Match("gatt", name, profile.description or name))
        for name, mine in self._adverts.items():
            match = _broadcast(name, mine.advert, advert)
            found += [] if match is None else [match]
        if not found and _SENSING in advert.services:
            found.append(_Match("gatt", "described", "environmental sensing service"))
        return found


def _broadcast(name: str, mine: BtHome | Manufacturer | Service, advert: Advert) -> _Match | None:
    if isinstance(mine, BtHome):
        data = advert.service_data.get(_BTHOME)
        if not data:
            return None
        is_sealed = bool(data[0] & 1)
        what = "BTHome, encrypted" if is_sealed else "BTHome"
        more = 'key_file = "FILE"      # 32 hexadecimal digits\n' if is_sealed else ""
        return _Match("adverts", name, what, more)
    if isinstance(mine, Manufacturer):
        data = advert.manufacturer.get(mine.company)
    else:
        data = advert.service_data.get(mine.uuid)
    if data is None or not mine.prefix or not data.startswith(mine.prefix):
        return None
    return _Match("adverts", name, "values in its adverts")


def _found(advert: Advert, matches: Sequence[_Match]) -> Found:
    advice = ""
    if matches:
        best = matches[0]
        slug = re.sub(r"[^a-z0-9]+", "-", advert.name.lower()).strip("-")[:24]
        name = slug if re.match(r"[a-z]", slug) else "NAME"
        advice = (
            f"[meters.{name}]\n"
            f'driver = "{best.driver}"\n'
            f'profile = "{best.profile}"\n'
            f'address = "{advert.address}"\n{best.more}'
        )
    services = tuple(match.what for match in matches)
    return Found(advert.address, advert.name, advert.rssi, services, advice)
