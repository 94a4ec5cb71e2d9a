"""The driver for sensors that are read over SDI-12."""

from __future__ import annotations

import logging
from collections.abc import AsyncGenerator, AsyncIterator, Sequence
from contextlib import aclosing, asynccontextmanager
from typing import ClassVar

from pydantic import BaseModel

from acquire.clock import Clock
from acquire.errors import FrameError, MeterLost, MeterUnavailable, Unavailable
from acquire.readings import Channel, Reading
from drivers.codecs.framing import printable
from drivers.codecs.sdi12 import Described, Identification
from drivers.ports import identity_of, resolve
from drivers.sdi12_bus import Bus, NoAnswer, shared_bus
from drivers.sdi12_plan import Place, Plan, make_plan, open_places
from drivers.sdi12_profile import Family
from drivers.sdi12_settings import ANY, Sdi12Settings
from drivers.sdi12_talk import Measured, Sensor, find_address
from drivers.shared_port import wire_words

__all__ = ["Sdi12"]

_log = logging.getLogger(__name__)


class Sdi12:
    """Readings from one sensor on an SDI-12 wire, which it may share with other meters.

    Counted since the driver was made: `bad_frames`, answers that were none; `missed_answers`,
    measurements without usable values; `missed_requests`, service requests that did not come.
    """

    Settings: ClassVar[type[BaseModel]] = Sdi12Settings

    def __init__(self, settings: Sdi12Settings, *, meter: str, clock: Clock) -> None:
        self.bad_frames = 0
        self.missed_answers = 0
        self.missed_requests = 0
        self._settings = settings
        self._meter = settings.meter
        self._name = meter
        self._clock = clock
        self._identity = settings.port
        self._plan = make_plan(self._meter, {}, {}, lambda _: None)
        self._said: Identification | None = None
        self._described: dict[Place, Described] = {}
        self._decimals: dict[Place, int] = {}
        self._told: set[str] = set()

    @property
    def channels(self) -> Sequence[Channel]:
        """What the profile says; once `open` has been entered also what the sensor says."""
        return self._plan.channels

    @property
    def identity(self) -> str:
        """The port's stable name and the address; once open also what the sensor calls itself."""
        return self._identity

    @asynccontextmanager
    async def open(self) -> AsyncGenerator[AsyncIterator[Reading]]:
        """Share the port; meet the sensor; give its readings on a fixed schedule."""
        settings, adapter = self._settings, self._meter.profile.adapter
        device = resolve(settings.port)
        async with shared_bus(device, settings.wire, adapter, self._clock) as bus:
            try:
                sensor = await self._meet(bus, identity_of(device))
                family, first = await self._choose(sensor)
                self._plan = await self._understand(sensor, family, first)
            except NoAnswer as error:
                raise MeterUnavailable(
                    self._unanswered(error), reason=Unavailable.MISSING
                ) from error
            async with aclosing(self._measure(sensor, family, first)) as readings:
                yield readings

    async def _meet(self, bus: Bus, port: str) -> Sensor:
        address = self._settings.address
        if address == ANY:
            address = await find_address(bus, self._complain)
        sensor = Sensor(bus, address, self._clock, self._complain)
        await sensor.acknowledge()
        said: Identification | None
        try:
            said = await sensor.identify()
        except NoAnswer:
            said = None
            self._tell("the sensor does not say what it is")
        if said is None or said != self._said:
            self._described.clear()  # it may be another one
            self._decimals.clear()
        self._said = said
        self._identity = f"{port}#{address}"
        if said is not None:
            words = (said.vendor, said.model, said.revision, said.optional)
            self._identity += " " + " ".join(word for word in words if word)
        return sensor

    async def _choose(self, sensor: Sensor) -> tuple[Family, dict[int, Measured]]:
        """Find the first of the configured commands that the sensor knows; give its values.

        Silence means that it does not know a command. Answers that make no sense do not: going on
        to a command without check characters would let through what they have just stopped.
        """
        measure = self._meter.profile.measure
        problem: NoAnswer | None = None
        for family in measure.commands:
            first: dict[int, Measured] = {}
            try:
                for measurement in measure.measurements:
                    measured = await sensor.measure(family, measurement)
                    if measured is not None:
                        first[measurement] = measured
            except NoAnswer as error:
                if error.heard:
                    raise
                problem = error
            if first:
                return family, first
        raise problem or MeterUnavailable(
            f"the sensor {sensor.address} knows no command of {', '.join(measure.commands)}: "
            "give others in [measure] of the profile",
            reason=Unavailable.SETTINGS,
        )

    async def _understand(self, sensor: Sensor, family: Family, first: dict[int, Measured]) -> Plan:
        for measurement, measured in first.items():
            for place, number in enumerate(measured.numbers, 1):
                seen = self._decimals.get((measurement, place), 0)
                # A sensor may leave out zeros at the end: the most seen of it counts.
                self._decimals[measurement, place] = max(seen, number.decimals)
        counts = {measurement: len(measured.numbers) for measurement, measured in first.items()}
        if not self._described:
            await self._describe(sensor, family, open_places(self._meter, counts))
        plan = make_plan(self._meter, self._described, self._decimals, self._tell)
        if plan.channels:
            return plan
        version = "" if self._said is None else f" (SDI-12 version {self._said.version})"
        raise MeterUnavailable(
            f"the sensor {sensor.address}{version} gives {sum(counts.values())} values and none of "
            "them a known name: name them in a profile, with place under [quantities.NAME]",
            reason=Unavailable.SETTINGS,
        )

    async def _describe(self, sensor: Sensor, family: Family, places: list[Place]) -> None:
        """Ask what the values are. A sensor older than version 1.4 cannot say."""
        for measurement, place in places:
            try:
                said = await sensor.describe(family, measurement, place)
            except NoAnswer:
                self._tell(f"value {place} is left out: the sensor does not say what it is")
                if not self._described:
                    return  # nor will it of the others
            else:
                self._described[measurement, place] = said

    async def _measure(
        self, sensor: Sensor, family: Family, first: dict[int, Measured]
    ) -> AsyncGenerator[Reading]:
        """Measure on a fixed schedule; the values of the opening come first."""
        measure = self._meter.profile.measure
        missed = 0
        due_s = self._clock.now().t_s
        wanted = [one for one in first if one in {place[0] for place in self._plan.scales}]
        for measurement in wanted:
            yield self._reading(measurement, first[measurement])
        while True:
            # A turn that is overdue follows at once; those before it are left out, not caught up.
            turns = max(1, int((self._clock.now().t_s - due_s) / measure.interval_s))
            due_s += turns * measure.interval_s
            await self._clock.sleep(max(0.0, due_s - self._clock.now().t_s))
            try:
                for measurement in wanted:
                    again = await self._again(sensor, family, measurement)
                    yield self._reading(measurement, again)
            except NoAnswer as error:
                missed += 1
                self.missed_answers += 1
                if missed >= measure.missed_answers:
                    raise MeterLost(f"{missed} measurements failed in a row: {error}") from error
            else:
                missed = 0

    async def _again(self, sensor: Sensor, family: Family, measurement: int) -> Measured:
        measured = await sensor.measure(family, measurement)
        self.missed_requests += sensor.missed_requests
        sensor.missed_requests = 0
        if measured is None:
            raise NoAnswer("the sensor gives no values any more", heard=True)
        return measured

    def _reading(self, measurement: int, measured: Measured) -> Reading:
        values, flags = self._plan.read(measurement, measured)
        return Reading(self._name, measured.stamp, values, flags, measured.raw)

    def _complain(self, error: FrameError, raw: bytes) -> None:
        self.bad_frames += 1
        _log.debug("%s: bad answer, %s: %s", self._name, error, printable(raw, 60))

    def _tell(self, news: str) -> None:
        """Say something about the sensor once, however often it is opened."""
        if news not in self._told:
            self._told.add(news)
            _log.warning("%s: %s", self._name, news)

    def _unanswered(self, error: NoAnswer) -> str:
        settings = self._settings
        address = settings.address
        if error.heard:
            several = ", or give its address if it is not alone" if address == ANY else ""
            return (
                f"bytes arrive from {settings.port} but none make sense at "
                f"{wire_words(settings.wire)} ({error}): check the speed and parity that the "
                f"adapter wants{several}"
            )
        who, several = f"no sensor answers at address {address}", ""
        if address == ANY:
            who, several = "no sensor answers", " If there are several, give the address of each."
        return (
            f"{who} on {settings.port}: is it powered, and does the adapter make the break "
            f"(break_by is {self._meter.profile.adapter.break_by!r})?{several}"
        )
