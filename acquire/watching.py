"""The watch task: readings in, draws and alerts out. No I/O: the daemon keeps and tells."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from statistics import median
from typing import Protocol

from acquire.checks import Check, StandingCorrection
from acquire.errors import WaterError
from acquire.installation import WatchConfig
from acquire.readings import Capture, Channel, Event, Flag, Reading, Stamp
from acquire.watch.draws import Draw, DrawFollower, Moment
from acquire.watch.history import ADVICE, TITLES, WatchState, litres_of, paragraph, state_of
from acquire.watch.judge import Change, Judge, Limits
from acquire.watch.kept import Acknowledged, Alert, Cleared, KeptDraw, Replaced, Restored
from acquire.watch.soon import Left, Notice, ends_soon
from acquire.water.conductivity import NATURAL_25, compensation_of, recompensate

__all__ = ["Past", "Point", "WatchNews", "changed_ms", "ec25_of", "resumed"]

WatchNews = KeptDraw | Alert | Cleared | Event | Replaced | Restored | Acknowledged

_DAY_MS = 86_400_000
_FEED_KEPT = 60
_FLOW_HOLDS_S = 10.0
_FEED_U = 0.01  # relative: two probes of one kind, checked
_ROUND_U = 0.05  # relative: a feed measured some time ago


class Past(Protocol):
    """What the store is asked when a watch begins."""

    def draws(self, watch: str, *, since_ms: int = 0) -> list[KeptDraw]: ...
    def alerts(self, *, watch: str | None = None) -> list[Alert]: ...
    def replaced(self, watch: str) -> list[Replaced]: ...
    def checks(self, *, meter: str | None = None) -> list[Check]: ...
    def captures(self, *, water: str | None = None) -> Iterator[Capture]: ...
    def events(self, *, kind: str | None = None) -> Iterator[Event]: ...


def changed_ms(config: WatchConfig, replaced: Sequence[Replaced]) -> int | None:
    """Give when the filter became the one it is: the latest change, said or configured."""
    days = [day for day in (config.cartridge_installed, config.membrane_installed) if day]
    said = [round(datetime(d.year, d.month, d.day, tzinfo=UTC).timestamp() * 1000) for d in days]
    return max([*said, *(one.at_ms for one in replaced)], default=None)


def ec25_of(
    reading: Reading,
    channels: Mapping[str, Channel],
    corrections: Mapping[str, StandingCorrection],
) -> tuple[float | None, float | None]:
    """Give conductivity at 25 °C in µS/cm and temperature in °C, corrected; None where none."""

    def said(quantity: str) -> float | None:
        value = reading.values.get(quantity)
        if value is None or reading.flags.get(quantity) in {Flag.ERROR, Flag.OVER_RANGE}:
            return None
        held = corrections.get(quantity)
        return value if held is None else held.line.apply(value)

    ec, temp, channel = said("conductivity"), said("temperature"), channels.get("conductivity")
    if ec is None or channel is None:
        return None, temp
    if channel.reference_c == 25.0:
        return max(0.0, ec), temp
    if temp is None:
        return None, None
    try:
        at_25 = recompensate(max(0.0, ec), temp, said=compensation_of(channel), wanted=NATURAL_25)
    except WaterError:  # the thermometer talks nonsense, and is told of as such
        return max(0.0, ec), temp
    return at_25.value, temp


class Point:
    """One watch at work."""

    def __init__(
        self,
        name: str,
        config: WatchConfig,
        *,
        new_id: Callable[[], str],
        check_every_days: int,
    ) -> None:
        self.name, self.config = name, config
        self._new_id = new_id
        self._check_every_days = check_every_days
        self.judge = self._new_judge()
        self.draws: list[KeptDraw] = []
        self.open: dict[str, Alert] = {}
        self.changed_ms: int | None = None
        self._follower: DrawFollower | None = None
        self._channels: dict[str, Mapping[str, Channel]] = {}
        self._corrections: dict[str, Mapping[str, StandingCorrection]] = {}
        self._feed: deque[tuple[float, int]] = deque(maxlen=_FEED_KEPT)
        self._round: tuple[float, float, int] | None = None
        self._flow: tuple[float, float] | None = None  # t_s, L/min
        self._summed_ms: int | None = None
        self._checked_ms: int | None = None
        self._foretold_day: int | None = None

    def _new_judge(self) -> Judge:
        least = self.config.least_rejection_percent
        passage = None if least is None else 1.0 - least / 100.0
        return Judge(Limits(passage, self.config.most_product_us_cm))

    def resume(self, past: Past) -> None:
        """Go on where the store says the watch was."""
        self.judge, self.draws = self._new_judge(), []
        self.changed_ms = changed_ms(self.config, past.replaced(self.name))
        for kept in past.draws(self.name, since_ms=self.changed_ms or 0):
            self.draws.append(kept)
            if kept.feed is not None and kept.feed_u is not None:
                self.judge.update(kept.draw, kept.feed, kept.feed_u)
        self.open = {one.kind: one for one in past.alerts(watch=self.name) if one.is_open}
        self.judge.hold(self.open)
        checks = [
            check.at_ms
            for meter in {self.config.product, self.config.feed} - {None}
            for check in past.checks(meter=meter)
            if check.quantity == "conductivity"
        ]
        self._checked_ms = max(checks, default=None)
        self._summed_ms = max(
            (e.stamp.at_ms for e in past.events(kind="watch_summary") if self._is_mine(e)),
            default=None,
        )
        if self.config.feed_water is not None:
            for capture in past.captures(water=self.config.feed_water):
                if self.see(capture):
                    break

    def meet(
        self,
        meter: str,
        channels: Sequence[Channel],
        corrections: Mapping[str, StandingCorrection],
    ) -> None:
        """Learn what a meter measures, before its first reading."""
        self._channels[meter] = {channel.quantity: channel for channel in channels}
        self._corrections[meter] = corrections
        if meter == self.config.product:
            channel = self._channels[meter].get("conductivity")
            self._follower = DrawFollower(
                resolution=channel.resolution if channel else 1.0,
                has_flow=self.config.flow is not None,
            )

    def correct(self, meter: str, corrections: Mapping[str, StandingCorrection]) -> None:
        """Other corrections of a meter are in force from now on."""
        if meter in self._corrections:
            self._corrections[meter] = corrections

    def see(self, capture: Capture) -> bool:
        """Take the feed's value from a capture of it; tells whether it was one."""
        if capture.water != self.config.feed_water:
            return False
        value = capture.derived.get("conductivity") or capture.values.get("conductivity")
        if value is None or value.phase != "settled" or not value.value > 0:
            return False
        u = math.hypot(value.expanded_u / 2.0, _ROUND_U * value.value)
        if self._round is None or capture.taken.at_ms >= self._round[2]:
            self._round = (value.value, u, capture.taken.at_ms)
        return True

    def update(self, reading: Reading) -> list[WatchNews]:
        """Take a reading of any meter; gives what is to be kept and told, in order."""
        config = self.config
        if reading.meter == config.feed:
            ec, _ = self._ec25(reading)
            if ec is not None and ec > 0:
                self._feed.append((ec, reading.stamp.at_ms))
        if reading.meter != config.product or self._follower is None:
            return []
        ec, temp = self._ec25(reading)
        stamp = reading.stamp
        if config.flow is not None and config.flow in reading.values:
            self._flow = (stamp.t_s, reading.values[config.flow])
        flow = None
        if self._flow is not None and stamp.t_s - self._flow[0] <= _FLOW_HOLDS_S:
            flow = self._flow[1]
        ended = self._follower.update(
            Moment(
                stamp.t_s,
                stamp.at_ms,
                None if ec is None else ec * config.product_gain,
                temp,
                flow,
            )
        )
        return [] if ended is None else self._take(ended, stamp)

    def change(self, part: str, stamp: Stamp) -> list[WatchNews]:
        """Begin anew: a part was changed."""
        news: list[WatchNews] = [Replaced(self.name, part, stamp.at_ms)]
        for change in self.judge.changed():
            news += self._turn(change, stamp)
        for kind in [kind for kind in self.open if kind != "check_overdue"]:
            news += self._turn(Change(kind, is_on=False, text=f"{part} changed"), stamp)
        self.changed_ms, self.draws = stamp.at_ms, []
        news.append(self._event("watch_changed", f"{self.name}: {part} changed", stamp, part=part))
        return news

    def restore(self, part: str, replaced: Sequence[Replaced], stamp: Stamp) -> list[WatchNews]:
        """Take back the last change, if it was of that part; `resume` again once it is kept."""
        if not replaced or replaced[-1].part != part:
            return []
        last = replaced[-1]
        text = f"{self.name}: the {part} was not changed after all; what held before holds again"
        event = self._event("watch_restored", text, stamp, part=part)
        return [Restored(self.name, part, last.at_ms), event]

    def acknowledge(self, alert_id: str, stamp: Stamp) -> list[WatchNews]:
        """Note that a person has seen one of the alerts that hold."""
        found = next((one for one in self.open.values() if one.id == alert_id), None)
        if found is None:
            return []
        text = f"{self.name}: seen: {TITLES[found.kind]}"
        event = self._event("alert_acknowledged", text, stamp, alert=alert_id, of=found.kind)
        return [Acknowledged(alert_id, stamp.at_ms), event]

    # -- below ------------------------------------------------------------------------------

    def _ec25(self, reading: Reading) -> tuple[float | None, float | None]:
        meter = reading.meter
        return ec25_of(reading, self._channels.get(meter, {}), self._corrections.get(meter, {}))

    def _feed_now(self, at_ms: int) -> tuple[float, float, int] | None:
        if self.config.feed_us_cm is not None:
            return self.config.feed_us_cm, _ROUND_U * self.config.feed_us_cm, at_ms
        if self.config.feed_water is not None:
            return self._round
        if not self._feed:
            return None
        values = [ec for ec, _ in self._feed]
        value = median(values)
        spread = 1.4826 * median(abs(ec - value) for ec in values)
        return value, math.hypot(spread, _FEED_U * value), self._feed[-1][1]

    def _take(self, draw: Draw, stamp: Stamp) -> list[WatchNews]:
        feed = self._feed_now(draw.ended_ms)
        if feed is None:
            kept = KeptDraw(self.name, draw, None, None, None, None, None, None)
            changes: tuple[Change, ...] = ()
        else:
            value, u, at_ms = feed
            judged = self.judge.update(draw, value, u)
            said, changes = judged.performance, judged.changes
            kept = KeptDraw(
                self.name,
                draw,
                value,
                u,
                at_ms,
                None if said is None else said.passage,
                None if said is None else said.passage_u,
                judged.margin,
            )
        self.draws.append(kept)
        news: list[WatchNews] = [kept]
        for change in (*changes, *self._by_calendar(stamp.at_ms)):
            news += self._turn(change, stamp)
        for change in self._ahead(stamp.at_ms):  # what is over already is not soon
            news += self._turn(change, stamp)
        return [*news, *self._summary(stamp)]

    def _used(self, now_ms: int) -> tuple[float, float]:
        """Give days and litres since the change; 0 litres where neither flow nor use is known."""
        since = self.changed_ms if self.changed_ms is not None else self.draws[0].draw.started_ms
        days = (now_ms - since) / _DAY_MS
        return days, litres_of(self.draws, self.config.litres_a_day, days) or 0.0

    def _ahead(self, now_ms: int) -> Iterator[Change]:
        """What will be due soon; asked once a day, as the forecast moves no faster."""
        if now_ms // _DAY_MS == self._foretold_day:
            return
        self._foretold_day = now_ms // _DAY_MS
        config = self.config
        days, litres = self._used(now_ms)
        most, lasts = config.capacity_litres, config.lasts_days
        a_day = litres / days if days >= 1 and litres else config.litres_a_day
        by_days = None if lasts is None else lasts - days
        by_litres = None if most is None else most - litres
        if by_litres is not None and a_day:
            by_days = min(by_litres / a_day, math.inf if by_days is None else by_days)
        change = ends_soon(
            self.state().forecast,
            Left("of what it is rated for", by_days, by_litres),
            Notice(config.warn_days, config.warn_litres),
            a_day,
        )
        is_over = not self.open.keys().isdisjoint({"exhausted", "capacity"})
        if change.text and not (change.is_on and is_over):
            yield change

    def _by_calendar(self, now_ms: int) -> Iterator[Change]:
        """What is due by date or by litres, whatever the water says."""
        days, litres = self._used(now_ms)
        most, lasts = self.config.capacity_litres, self.config.lasts_days
        if most is not None and litres >= most:
            yield Change("capacity", True, f"{litres:.0f} L of the rated {most:.0f} L")
        elif lasts is not None and days >= lasts:
            yield Change("capacity", True, f"{days:.0f} days of the rated {lasts}")
        checked = self._checked_ms or self.draws[0].draw.started_ms
        age = (now_ms - checked) / _DAY_MS
        is_due = age > self._check_every_days
        yield Change("check_overdue", is_due, f"the last check was {age:.0f} days ago")

    def _turn(self, change: Change, stamp: Stamp) -> list[WatchNews]:
        """Raise once what begins to hold, clear what ends; nothing when it is so already."""
        held = self.open.get(change.kind)
        if change.is_on and held is None:
            alert = Alert(self._new_id(), self.name, change.kind, stamp.at_ms, change.text)
            self.open[change.kind] = alert
            text = f"{self.name}: {TITLES[change.kind]}: {change.text}. {ADVICE[change.kind]}"
            return [
                alert,
                self._event("alert_raised", text, stamp, alert=alert.id, of=change.kind),
            ]
        if not change.is_on and held is not None:
            del self.open[change.kind]
            text = f"{self.name}: over: {TITLES[change.kind]}: {change.text}"
            return [
                Cleared(held.id, stamp.at_ms, change.text),
                self._event("alert_cleared", text, stamp, alert=held.id, of=change.kind),
            ]
        return []

    def _summary(self, stamp: Stamp) -> list[WatchNews]:
        if self._summed_ms is None:
            self._summed_ms = self.draws[0].draw.started_ms
        if stamp.at_ms - self._summed_ms < 7 * _DAY_MS:
            return []
        self._summed_ms = stamp.at_ms
        return [self._event("watch_summary", paragraph(self.state(), self.draws), stamp)]

    def state(self) -> WatchState:
        """How the watch stands after the draws it has seen."""
        return state_of(
            self.name,
            self.draws,
            self.judge.standing(),
            tuple(self.open.values()),
            changed_ms=self.changed_ms,
            litres_a_day=self.config.litres_a_day,
        )

    def _event(self, kind: str, text: str, stamp: Stamp, **data: float | str) -> Event:
        return Event(kind, stamp, self.config.product, text, {"watch": self.name, **data})

    def _is_mine(self, event: Event) -> bool:
        return event.data.get("watch") == self.name


def resumed(
    watches: Mapping[str, WatchConfig],
    past: Past,
    *,
    new_id: Callable[[], str],
    trusted_days: Callable[[str], int],
) -> list[Point]:
    """Make every configured watch and let it go on where it was.

    `trusted_days` gives for how long a passed check of a meter is trusted.
    """
    points = []
    for name, config in watches.items():
        point = Point(name, config, new_id=new_id, check_every_days=trusted_days(config.product))
        point.resume(past)
        points.append(point)
    return points
