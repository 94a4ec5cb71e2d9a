"""The bench at work: one task records every reading, judges it, and tells what came of it.

In that order, so that no capture can rest on a reading the store has not been given.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from acquire.bench.desk import Desk
from acquire.bench.findings import Findings
from acquire.bench.standing import Said
from acquire.bench.taker import CaptureTaker
from acquire.bench.typed import Entry, typed_capture
from acquire.bus import Bus, Subscription
from acquire.checks import StandingCorrection, in_force
from acquire.clock import Clock
from acquire.config import Config, MeterConfig
from acquire.errors import OuzelError
from acquire.meter import Driver
from acquire.progress import Progress
from acquire.readings import Capture, CaptureState, Event, Reading, Role, Stamp
from acquire.store.records import Records
from acquire.walking import BenchOf, Walking, guidance_event
from acquire.works.identity import new_id
from acquire.works.keeping import Keeping

if TYPE_CHECKING:
    from acquire.bench.walk import WalkNews
    from acquire.watching import Point, WatchNews

__all__ = ["BenchWork", "Wanted"]

_EXPLAINED = {CaptureState.PROVISIONAL, CaptureState.UNSETTLED}


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is asked of the bench for this run."""

    stops: Sequence[tuple[str, Role | None]] = ()
    """The waters in the order the probe will meet them; none: as configured."""
    closing: str = "the program was stopped"
    """Why captures end that are open when it ends."""
    off_bench: frozenset[str] = frozenset()
    """Meters that take no captures."""
    round_: tuple[str, bool] | None = None
    """Begun with the first meter heard: a plan, and whether an interrupted round of it goes on."""


class BenchWork:
    """The desks of all meters, the points that are watched, the rounds under way."""

    def __init__(
        self,
        config: Config,
        meters: Mapping[str, MeterConfig],
        drivers: Mapping[str, Driver],
        clock: Clock,
        *,
        keeping: Keeping,
        said: Bus[Said],
        progress: Progress,
        wanted: Wanted,
    ) -> None:
        self.drivers = drivers
        self.desks: dict[str, Desk] = {}
        """Of the meters that have said something."""
        self.corrections: list[StandingCorrection] = []
        self.points: list[Point] = []
        self.walking = Walking(config, keeping.path, new_id)
        self._config = config
        self._meters = meters
        self._clock = clock
        self._keeping = keeping
        self._said = said
        self._progress = progress
        self._stops = wanted.stops
        self._closing = wanted.closing
        self.off_bench = wanted.off_bench
        self._begin_with = wanted.round_

    async def look_back(self, path: Path) -> None:
        """Find the corrections in force, and make final what a crash left provisional.

        Nobody else ever would; and nobody else can write a correction while the store is ours.
        """
        with Records.open(path) as records:
            self.corrections = records.corrections()
            left = list(records.captures(state=CaptureState.PROVISIONAL))
            if self._config.watches:
                from acquire.watching import resumed  # noqa: PLC0415 - not where nothing is watched

                self.points = resumed(
                    self._config.watches,
                    records,
                    new_id=new_id,
                    trusted_days=self._config.trusted_days,
                )
        for capture in left:
            why = "the program ended while the probe was in the water"
            await self._keeping.hold(replace(capture, state=CaptureState.FINAL, reason=why))
            await self._keeping.keep(
                Event(
                    "closed_late",
                    self._clock.now(),
                    capture.meter,
                    f"capture {capture.id} was left open by a crash and is final now",
                    {"capture": capture.id},
                )
            )

    async def work(self, queue: Subscription[Reading | Event]) -> None:
        self._progress.rest("bench")
        async for item in queue:
            self._progress.beat("bench")
            await self._handle(item)
            self._progress.rest("bench")
        await self._close_captures()
        await self._said.close()

    async def _handle(self, item: Reading | Event) -> None:
        """Record one thing, then let the bench look at it, then tell the listeners."""
        if isinstance(item, Event):
            await self._keeping.keep(item)
            desk = self.desks.get(item.meter)
            if item.kind in {"meter_lost", "meter_over"} and desk is not None:
                await self._interrupt(item.meter, desk, item.stamp, "the meter was lost")
            return
        desk = self.desks.get(item.meter)
        if desk is None:
            desk = await self.meet(item.meter)
            if self._begin_with is not None:
                wanted, resume = self._begin_with
                self._begin_with = None
                await self.begin_round(item.meter, desk, wanted, resume, is_ours=True)
        await self._keeping.add(item)
        await self._said.publish(item)
        for told in () if item.meter in self.off_bench else desk.update(item):
            news = await self._keep_named(item.meter, told)
            if isinstance(news, Capture) and news.state in _EXPLAINED:
                await self._said.publish(desk.explain(news))
            if isinstance(news, Capture):
                for point in self.points:
                    point.see(news)
        for point in tuple(self.points):
            await self._keeping.keep_all(await self._watched(point, item))
        status = desk.status()
        if status is not None:
            await self._said.publish(status)
            await self._walked(item.meter, partial(self.walking.see, status))

    async def _interrupt(self, meter: str, desk: Desk, stamp: Stamp, why: str) -> None:
        for told in desk.interrupt(stamp, why):
            await self._keep_named(meter, told)

    async def _keep_named(self, meter: str, told: Capture | Event) -> Capture | Event:
        """Keep what the bench gives by the name a round has for it, and let the round hear it."""
        news = self.walking.named(told)
        await self._keeping.keep(news)
        await self._walked(meter, partial(self.walking.hear, news))
        return news

    async def _walked(self, meter: str, step: Callable[[], Sequence[WalkNews]]) -> None:
        """Let the round under way take a step, keep what it gives, say what to do next."""
        try:
            news = step()
        except Exception as error:  # noqa: BLE001  (a fault in it must not cost readings)
            self.walking.drop(meter)
            text = f"the round goes on no longer: {type(error).__name__}: {error}; resume it"
            await self._keeping.keep(Event("round_failed", self._clock.now(), meter, text))
            return
        await self.keep_walked(meter, news)

    async def keep_walked(self, meter: str, news: Sequence[WalkNews]) -> None:
        await self._keeping.keep_all(news)
        guidance = self.walking.guidance(meter)
        if guidance is not None:
            # Kept as well, for a command in another process that follows the round in the store.
            await self._keeping.hold(guidance_event(guidance, self._clock.now()))
            await self._said.publish(guidance)

    async def _watched(self, point: Point, item: Reading) -> Sequence[WatchNews]:
        try:
            return point.update(item)
        except Exception as error:  # noqa: BLE001  (a fault in it must not cost readings)
            self.points.remove(point)
            text = f"{point.name} is watched no longer: {type(error).__name__}: {error}"
            await self._keeping.keep(Event("watch_failed", item.stamp, item.meter, text))
            return ()

    async def begin_round(
        self,
        meter: str,
        desk: Desk,
        wanted: str,
        resume: bool,
        *,
        is_ours: bool,
    ) -> str:
        channels = tuple(self.drivers[meter].channels)
        bench = BenchOf(meter, desk, channels, self.in_force(meter), self.is_typed(meter))
        try:
            done, news = self.walking.begin(
                bench, wanted, self._clock.now(), resume=resume, is_name=not is_ours
            )
        except OuzelError as error:
            raise ValueError(str(error)) from error
        await self.keep_walked(meter, news)
        return done

    def is_typed(self, meter: str) -> bool:
        """Whether a person reads it: it never says anything by itself."""
        return self._meters[meter].driver == "by_hand"

    def in_force(self, meter: str) -> dict[str, StandingCorrection]:
        return in_force(one for one in self.corrections if one.meter == meter)

    def correct_anew(self, meter: str) -> None:
        self.corrections = self._keeping.past(Records.corrections)
        mine = self.in_force(meter)
        if meter in self.desks:
            self.desks[meter].correct(mine)
        for point in self.points:
            point.correct(meter, mine)

    async def meet(self, name: str) -> Desk:
        """First reading of a meter: from now on its channels are known."""
        driver, meter = self.drivers[name], self._meters[name]
        quantities = self._config.quantities
        if self._keeping.writer is not None:
            await self._keeping.writer.describe(
                name,
                driver=meter.driver,
                profile=str(getattr(meter.settings, "profile", "")),
                identity=driver.identity,
                channels=list(driver.channels),
                units={c.quantity: quantities[c.quantity].unit for c in driver.channels},
            )
        taker = CaptureTaker(
            name,
            driver.channels,
            self._config.settler,
            self._config.tolerance,
            new_id=new_id,
            timeout_s=self._config.bench.timeout_s,
            required=self._meters[name].required,
            stops=self._stops or [(s.water, s.role) for s in self._config.bench.stops],
        )
        mine = self.in_force(name)
        for point in self.points:
            point.meet(name, driver.channels, mine)
        self.desks[name] = Desk(name, driver.channels, taker, mine)
        return self.desks[name]

    async def _close_captures(self) -> None:
        now = self._clock.now()
        for name, desk in self.desks.items():
            await self._interrupt(name, desk, now, self._closing)

    async def typed(
        self,
        meter: str,
        entries: Sequence[Entry],
        *,
        stood_still: bool,
        water: str,
        role: Role | None,
    ) -> Capture:
        """Record numbers a person read off a display: the reading, and the capture made of it.

        A round under way names it, and goes on with it.

        `meter` is one of those configured.
        """
        now, channels = self._clock.now(), self.drivers[meter].channels
        if meter not in self.desks:
            await self.meet(meter)
        values = {entry.quantity: entry.value for entry in entries}
        typed = typed_capture(
            entries,
            id=new_id(),
            meter=meter,
            channels=channels,
            began=now,
            ended=now,
            stood_still=stood_still,
            water=water,
            role=role,
            corrections=self.in_force(meter),
        )
        reading = Reading(meter, now, values)
        await self._keeping.add(reading)
        await self._said.publish(reading)
        capture = await self._keep_named(meter, typed)
        assert isinstance(capture, Capture)  # noqa: S101 - as it was given
        for point in self.points:
            point.see(capture)
        if capture.state is CaptureState.FINAL:
            for finding in Findings(meter, channels).of(capture, now):
                await self._keeping.keep(finding)
        return capture
