"""The driver for meters that are read over a Bluetooth LE connection."""

from __future__ import annotations

import logging
from collections.abc import AsyncGenerator, AsyncIterator, Mapping, Sequence
from contextlib import aclosing, asynccontextmanager
from typing import ClassVar

from pydantic import BaseModel

from acquire.clock import Clock
from acquire.errors import FrameError, MeterLost
from acquire.readings import Channel, Reading, Stamp
from drivers.ble_link import Link, Radio, Refused, need, owning, system_radio
from drivers.ble_settings import GattSettings
from drivers.codecs.framing import printable
from drivers.codecs.layout import Values
from drivers.gatt_plan import Plan, make_plan

__all__ = ["Gatt"]

_log = logging.getLogger(__name__)


class Gatt:
    """Readings from notifications, from reads on a schedule, or both.

    What a meter notifies in several characteristics within `gather_s` is one reading. A
    characteristic that is subscribed is never read: the system would tell of each read twice.
    """

    Settings: ClassVar[type[BaseModel]] = GattSettings

    def __init__(
        self, settings: GattSettings, *, meter: str, clock: Clock, radio: Radio | None = None
    ) -> None:
        need("bleak")
        self.bad_frames = 0
        self.battery_percent: int | None = None
        """As the meter said when it was connected; None when it does not say."""
        self._settings = settings
        self._meter = settings.meter
        self._name = meter
        self._clock = clock
        self._radio = radio
        self._channels: Sequence[Channel] = settings.meter.channels
        self._identity = settings.address

    @property
    def channels(self) -> Sequence[Channel]:
        """What is measured; of a meter that describes itself known once it was connected."""
        return self._channels

    @property
    def identity(self) -> str:
        """Address and, where the meter has one, serial number."""
        return self._identity

    @asynccontextmanager
    async def open(self) -> AsyncGenerator[AsyncIterator[Reading]]:
        """Own the connection; give the readings as they come."""
        radio, times = self._radio or system_radio(), self._meter.profile.link
        address = self._settings.address
        with owning(address, self._name):
            async with radio.connect(
                address,
                clock=self._clock,
                search_s=times.search_s,
                connect_s=times.connect_s,
                adapter=self._settings.adapter,
            ) as link:
                plan = await make_plan(link, self._meter, self._clock)
                self._channels = plan.channels
                self._identity = " ".join(part for part in (address, plan.serial) if part)
                self.battery_percent = plan.battery_percent
                async with aclosing(self._readings(link, plan)) as readings:
                    yield readings

    async def _readings(self, link: Link, plan: Plan) -> AsyncGenerator[Reading]:
        times = self._meter.profile.link
        gathering = _Gathering(plan, times.gather_s, times.quiet_s, self._clock.now().t_s)
        due_s = self._clock.now().t_s if plan.read else None
        refused = 0
        while True:
            now_s = self._clock.now().t_s
            if due_s is not None and now_s >= due_s:
                reading, refused = await self._read_all(link, plan, refused)
                if reading is not None:
                    yield reading
                # Turns that are overdue are left out, not caught up.
                turns = max(1, int((self._clock.now().t_s - due_s) / times.interval_s))
                due_s += turns * times.interval_s
                continue
            until_s = [one for one in (due_s, gathering.over_s) if one is not None]
            wait_s = max(0.0, min(until_s) - now_s) if until_s else None
            try:
                async with self._clock.timeout(wait_s):
                    handle, data = await link.next()
            except TimeoutError:
                rounds = gathering.close_if_over(self._clock.now())
            else:
                rounds = gathering.take(handle, data, self._clock.now())
            for stamp, pieces in rounds:
                reading = self._reading(stamp, pieces, plan)
                if reading is not None:
                    yield reading

    async def _read_all(self, link: Link, plan: Plan, refused: int) -> tuple[Reading | None, int]:
        """Read each characteristic once; give the reading, and refusals in a row so far."""
        times = self._meter.profile.link
        pieces: dict[int, bytes] = {}
        for offer in plan.read:
            try:
                async with self._clock.timeout(times.timeout_s):
                    pieces[offer.handle] = await link.read(offer)
            except TimeoutError as error:
                raise MeterLost(f"no answer to a read within {times.timeout_s:g} s") from error
            except Refused as error:
                refused += 1
                self.bad_frames += 1
                if refused >= times.missed_answers:
                    raise MeterLost(f"{refused} reads in a row were refused: {error}") from error
            else:
                refused = 0
        return self._reading(self._clock.now(), pieces, plan), refused

    def _reading(self, stamp: Stamp, pieces: Mapping[int, bytes], plan: Plan) -> Reading | None:
        """Decode what came; what is no frame is counted and left out."""
        said = Values()
        raw = []
        for handle, data in pieces.items():
            raw.append(f"{plan.names[handle].partition('-')[0]}={data.hex()}")
            try:
                one = plan.layouts[handle].read(data)
            except FrameError as error:
                self.bad_frames += 1
                _log.debug("%s: bad value of %s: %s", self._name, plan.names[handle], error)
                continue
            said.values |= one.values
            said.flags |= one.flags
        if not said:
            return None
        text = printable(" ".join(raw).encode())
        return Reading(self._name, stamp, said.values, said.flags, text)


class _Gathering:
    """Joins the notifications of one measurement; pure but for the stamps it is given."""

    def __init__(self, plan: Plan, gather_s: float, quiet_s: float | None, now_s: float) -> None:
        self._gather_s = gather_s
        self._quiet_s = quiet_s
        self._names = plan.names
        self._last_s = {offer.handle: now_s for offer in plan.notified}
        self._stamp: Stamp | None = None
        self._pieces: dict[int, bytes] = {}

    @property
    def over_s(self) -> float | None:
        """When the round under way is over, whatever has come."""
        return None if self._stamp is None else self._stamp.t_s + self._gather_s

    def take(self, handle: int, data: bytes, now: Stamp) -> list[tuple[Stamp, dict[int, bytes]]]:
        """Add a notification; give the rounds that are whole, at most two."""
        if handle not in self._last_s:
            return []
        self._last_s[handle] = now.t_s
        self._check_quiet(now.t_s)
        whole = self.close_if_over(now)
        if handle in self._pieces:  # the next round has begun
            whole += self._close()
        if self._stamp is None:
            self._stamp = now
        self._pieces[handle] = data
        if len(self._pieces) == len(self._last_s):
            whole += self._close()
        return whole

    def close_if_over(self, now: Stamp) -> list[tuple[Stamp, dict[int, bytes]]]:
        over_s = self.over_s
        return self._close() if over_s is not None and now.t_s >= over_s else []

    def _close(self) -> list[tuple[Stamp, dict[int, bytes]]]:
        if self._stamp is None:
            return []
        whole = [(self._stamp, self._pieces)]
        self._stamp, self._pieces = None, {}
        return whole

    def _check_quiet(self, now_s: float) -> None:
        if self._quiet_s is None:
            return
        handle, last_s = min(self._last_s.items(), key=lambda one: one[1])
        if now_s - last_s > self._quiet_s:
            raise MeterLost(
                f"{self._names[handle]} has said nothing for {now_s - last_s:.0f} s while others "
                "speak: the subscription is dead"
            )
