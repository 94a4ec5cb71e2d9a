"""The driver for meters that broadcast their values over Bluetooth LE, without a connection."""

from __future__ import annotations

import logging
from collections.abc import AsyncGenerator, AsyncIterator, Sequence
from contextlib import aclosing, asynccontextmanager
from typing import ClassVar

from pydantic import BaseModel

from acquire.clock import Clock
from acquire.errors import FrameError
from acquire.readings import Channel, Flag, Reading
from drivers.advert_profile import AdvertMeter, BtHome, Manufacturer
from drivers.ble_link import Advert, Mailbox, Radio, need, system_radio
from drivers.ble_settings import AdvertSettings
from drivers.codecs.adverts import BTHOME_UUID, Broadcast, News, read_bthome
from drivers.codecs.framing import printable
from drivers.codecs.gatt_formats import uuid_text
from drivers.codecs.layout import Values

__all__ = ["CHECK_S", "Adverts"]

CHECK_S = 5.0
"""After so much silence look whether there is an adapter at all: a scan tells nobody of its end."""

_log = logging.getLogger(__name__)
_BTHOME = uuid_text(BTHOME_UUID)


class Adverts:
    """Readings from what one device broadcasts; each measurement once, however often it is sent."""

    Settings: ClassVar[type[BaseModel]] = AdvertSettings

    def __init__(
        self, settings: AdvertSettings, *, meter: str, clock: Clock, radio: Radio | None = None
    ) -> None:
        need("bleak")
        if settings.key:
            need("cryptography")
        self.bad_frames = 0
        self._settings = settings
        self._meter = settings.meter
        self._name = meter
        self._clock = clock
        self._radio = radio

    @property
    def channels(self) -> Sequence[Channel]:
        return self._meter.channels

    @property
    def identity(self) -> str:
        return self._settings.address

    @asynccontextmanager
    async def open(self) -> AsyncGenerator[AsyncIterator[Reading]]:
        """Listen; the scan goes on as long as anybody in the process wants it."""
        radio, adapter = self._radio or system_radio(), self._settings.adapter
        mine = self._settings.address

        def wanted(advert: Advert) -> bool:
            return advert.address.upper() == mine and _payload(self._meter, advert) is not None

        async with (
            radio.listen(wanted, adapter=adapter) as box,
            aclosing(self._readings(radio, box)) as readings,
        ):
            yield readings

    async def _readings(self, radio: Radio, box: Mailbox[Advert]) -> AsyncGenerator[Reading]:
        reader = _Reader(self._settings)
        while True:
            try:
                async with self._clock.timeout(CHECK_S):
                    advert = await box.take()
            except TimeoutError:
                await radio.check(adapter=self._settings.adapter)
                continue
            stamp = self._clock.now()
            try:
                said = reader.read(advert, stamp.t_s)
            except FrameError as error:
                self.bad_frames += 1
                _log.debug("%s: bad advert: %s", self._name, error)
                continue
            if said:
                raw = printable((_payload(self._meter, advert) or b"").hex().encode())
                yield Reading(self._name, stamp, said.values, said.flags, raw)


class _Reader:
    """From adverts to values: which are ours, which are news, what they say."""

    def __init__(self, settings: AdvertSettings) -> None:
        self._settings = settings
        self._meter = settings.meter
        self._news = News(self._meter.profile.advert.repeat_s)
        self._last_bad = b""
        self._counter = -1

    def read(self, advert: Advert, t_s: float) -> Values:
        """Give what is new, nothing for what was heard before; FrameError, once for each kind."""
        data = _payload(self._meter, advert)
        if data is None or data == self._last_bad:
            return Values()
        heard = advert.rssi is not None
        try:
            if isinstance(self._meter.profile.advert, BtHome):
                return self._read_objects(data, t_s, heard=heard)
            return self._read_bytes(data, t_s, heard=heard)
        except FrameError:
            self._last_bad = data
            raise

    def _read_bytes(self, data: bytes, t_s: float, *, heard: bool) -> Values:
        said = self._meter.layout.read(data)
        place = self._meter.packet_id
        number = None if place is None else place.read(data)
        if isinstance(number, Flag):  # a number that is none cannot tell one packet from another
            number = None
        is_new = self._news.is_new(data, None if number is None else int(number), t_s, heard=heard)
        return said if is_new else Values()

    def _read_objects(self, data: bytes, t_s: float, *, heard: bool) -> Values:
        said = read_bthome(data, address=self._settings.nonce_address, key=self._settings.key)
        self._check_counter(said)
        number = said.counter if said.packet_id is None else said.packet_id
        if not self._news.is_new(data, number, t_s, heard=heard):
            return Values()
        values = Values()
        for name, mine in self._meter.profile.quantities.items():
            found = None if mine.object is None else said.find(mine.object, mine.nth)
            if found is not None:
                values.put(name, self._meter.scales[name], found)
        return values

    def _check_counter(self, said: Broadcast) -> None:
        """An old advert sent again by somebody else would be an old value.

        A device that lost its battery starts from nought: it is silent here until the link is
        opened anew, which forgets the counter.
        """
        if said.counter is None:
            return
        if said.counter < self._counter:
            raise FrameError(f"counter {said.counter} after {self._counter}: an old advert")
        self._counter = said.counter


def _payload(meter: AdvertMeter, advert: Advert) -> bytes | None:
    """Give the bytes the profile is about, None when this advert has none of them."""
    mine = meter.profile.advert
    if isinstance(mine, BtHome):
        return advert.service_data.get(_BTHOME)
    if isinstance(mine, Manufacturer):
        data = advert.manufacturer.get(mine.company)
    else:
        data = advert.service_data.get(mine.uuid)
    return data if data is not None and data.startswith(mine.prefix) else None
