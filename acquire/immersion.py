"""Follows a probe from air to water to the next water, from whatever channels the meter has.

Pure: no clock, no I/O, bounded memory. Three kinds of evidence, strongest first:

* conductivity (or dissolved solids when there is no other), see `wetness`;
* a glass electrode or platinum ring out of water is an open circuit and wanders; a meter that
  blanks shows nothing at all;
* in water, several channels that leave their trails together are another water, see `trail`. One
  channel alone (a bubble, a spike) or a little of each (stirring) is not.

A decision may come some seconds late; `Place.since_s` is always the moment it is about. Limits
without a source are judgement, and say so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf
from typing import Literal

from acquire.readings import Channel, Flag
from acquire.trail import SURE, Trail
from acquire.wetness import FILM_PART, SURELY_WET, Wetness

__all__ = ["Immersion", "Medium", "Place"]

Medium = Literal["air", "water", "unknown"]

GRACE_S = 6.0
"""A lift shorter than this, back into what is evidently the same water, is one immersion."""
LONG_S = 8.0
"""The same where conductivity never fell to that of a film: the meter averages, or it dripped."""
HOLD_S = 3.0
"""How long another water must show before it is believed."""
SOON_S = 15.0
"""A value at rest within this time after a fall came to rest by that fall."""
DOUBT_S = 30.0
"""How long a departure is watched before it is taken as part of the same water."""
BACK_PART = 0.9
"""Of its level: conductivity above it is back after a dip."""
LIFTED = 2.5
"""Points that make another water after a lift; `SURE` or the limit of the meter otherwise."""
NOTED = 0.5
"""Points from which a channel is watched."""
COUNTED = 0.7
"""Points from which it counts."""
PURE = 50.0
"""µS/cm below which pH and ORP answer to stirring twice as much (common practice, no source)."""
OUT_PART = 0.4
"""Of its level: conductivity that fell below it was out of the water, not behind a bubble."""
FLOATS = 0.5
"""Share of bends above which an electrode is taken for an open input."""
QUIET_S = 9.0
"""Time without a turn that says two electrodes are in a water, when nothing else does."""
QUIET_ALONE_S = 14.0
"""The same of one electrode."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where the probe is."""

    medium: Medium
    number: int
    """Rises by one at each new immersion; 0 before the first."""
    since_s: float
    """Start of this stay on the clock of `t_s`, before the update that found it out."""
    changed: bool = False
    """This update opened or closed an immersion, or moved to another water."""
    disturbed: bool = False
    """Still the same immersion, but what was learnt of its settling no longer holds: restart."""
    pending: bool = False
    """Something is under way that may be a change: settle nothing, withdraw nothing just now."""
    reason: str = ""


class _Event:
    """A time in water in which some channel is off its trail."""

    __slots__ = (
        "back_s",
        "calm_s",
        "dipped",
        "far_end_s",
        "far_s",
        "gap",
        "ionic_s",
        "ionic_up",
        "joint_n",
        "lifted",
        "rise_s",
        "since_s",
        "strong_s",
    )

    def __init__(self, t: float) -> None:
        self.since_s = t
        self.rise_s: float | None = None
        self.strong_s: float | None = None
        self.gap = False
        self.dipped = 0
        self.ionic_s: float | None = None
        self.ionic_up = False
        self.far_s: float | None = None
        self.far_end_s = t
        self.joint_n = 0
        self.calm_s: float | None = None
        self.lifted = ""
        self.back_s = t


class Immersion:
    """Tells air from water, and one water from the next."""

    def __init__(self, channels: Sequence[Channel]) -> None:
        names = {channel.quantity for channel in channels}
        own = {c.quantity: Trail(c) for c in channels if c.follows not in names}
        self._trails = list(own.values())
        self._ionic = own.get("conductivity") or own.get("tds")
        self._wetness = Wetness(self._ionic.resolution) if self._ionic else None
        self._electrodes = [own[name] for name in ("ph", "orp") if name in own]
        self._quiet_s = QUIET_S if len(self._electrodes) > 1 else QUIET_ALONE_S
        self._shown = set(own) - {"temperature"} or set(own)
        self._limit = SURE if self._ionic or len(own) > 2 else 2.5
        self._place = Place("unknown", 0, 0.0, reason="nothing read yet")
        self._t = -inf
        self._dt = 0.0
        self._shown_t = -inf
        self._shown_dt = 0.0
        self._blank_s: float | None = None
        self._was_blank = False
        self._event: _Event | None = None
        self._float_s: float | None = None

    @property
    def place(self) -> Place:
        """Where the probe was at the last update."""
        return self._place

    def update(
        self, t_s: float, values: Mapping[str, float], flags: Mapping[str, Flag] | None = None
    ) -> Place:
        """Take one reading in and say where the probe is; never raises.

        `t_s` is monotonic seconds: a time that is not after the last one changes nothing. A value
        that is flagged or not finite is not used; an over-range conductivity still says water.
        """
        place = self._place
        if place.changed or place.disturbed:
            place = self._place = replace(place, changed=False, disturbed=False)
        if not self._t < t_s < inf:
            return place
        gap = 0.0
        if self._t == -inf:
            self._place = replace(place, since_s=t_s)
        else:
            dt = t_s - self._t
            if self._dt and dt > max(10.0, 4.0 * self._dt):
                gap = dt
                self._shown_t += gap - self._dt
            else:
                self._dt += (dt - self._dt) * (0.2 if self._dt else 1.0)
        self._t = t_s
        ionic = self._take(t_s, values, flags or {}, gap)
        if self._shown_t == t_s:
            self._follow_medium(t_s, ionic)
            if self._place.medium != "air" and self._place.number:
                self._follow_event(t_s, gap)
        elif self._shown_t > -inf:
            self._follow_blank(t_s)
        self._mark_pending()
        return self._place

    # ---- one reading

    def _take(
        self, t: float, values: Mapping[str, float], flags: Mapping[str, Flag], gap: float
    ) -> float | None:
        """Feed the trails; give the conductivity of this reading when it has one."""
        wet = self._wetness
        held = self._event is not None or gap > 0.0 or (wet is not None and wet.away_s is not None)
        ionic: float | None = None
        shown = False
        for trail in self._trails:
            name = trail.quantity
            value = values.get(name)
            if flags and name in flags:
                value = None
                if trail is self._ionic and flags[name] is Flag.OVER_RANGE:
                    value = self._over_range()
            if value is None or not -1e9 < value < 1e9:
                continue
            if trail is self._ionic:
                ionic = value
            trail.update(t, value, held=held)
            shown = shown or name in self._shown
        if shown:
            self._shown_now(t)
        return ionic

    def _over_range(self) -> float:
        """Give the number that stands for "more than the display can show"."""
        wetness = self._wetness
        if wetness is None:
            return 0.0
        ceiling = max(wetness.top, 2000.0)
        return wetness.level if wetness.level >= 0.5 * ceiling else ceiling

    def _shown_now(self, t: float) -> None:
        """Note that the meter shows something it blanks in air."""
        since = t - self._shown_t
        if since == inf and self._place.number == 0:
            self._place = replace(self._place, since_s=t)  # nothing is known of the time before
        if since < inf and (self._shown_dt == 0.0 or since < 3.0 * self._shown_dt):
            self._shown_dt += (since - self._shown_dt) * (0.2 if self._shown_dt else 1.0)
        self._shown_t = t
        if self._blank_s is not None:
            lasted = t - self._blank_s
            self._blank_s = None
            if self._place.medium != "air" and lasted >= HOLD_S:
                self._lift(t, "the meter showed nothing")

    def _follow_blank(self, t: float) -> None:
        """The reading shows nothing that needs water: out of it, when that lasts."""
        if self._blank_s is None:
            if t - self._shown_t <= 1.5 * self._shown_dt:
                return
            self._blank_s = self._shown_t + self._shown_dt
        if t - self._blank_s < max(GRACE_S, 1.5 * self._shown_dt):
            return
        if self._place.medium != "air":
            self._leave(self._blank_s, "the meter shows no values")
            self._was_blank = True

    # ---- air or water

    def _follow_medium(self, t: float, ionic: float | None) -> None:
        if self._was_blank and self._place.medium == "air":
            self._was_blank = False
            if self._wetness is not None:
                self._wetness.forget()
            if ionic is None or ionic > 0.0:
                self._enter("water", t, "the meter shows values again", ionic)
                return
        if self._wetness is not None:
            if ionic is not None:
                self._follow_wetness(t, ionic, self._wetness)
        elif self._electrodes:
            self._follow_electrodes(t)
        elif self._place.number == 0:
            self._enter("unknown", t, "no channel here tells air from water", None)

    def _floating(self) -> float:
        return max((trail.floating for trail in self._electrodes if trail.heard), default=0.0)

    def _bent_s(self) -> float:
        """Give the time of the last bend that no electrode in a water makes while it settles."""
        return max((trail.bent_s for trail in self._electrodes), default=-inf)

    def _is_quiet(self, t: float) -> bool:
        """Say whether the electrodes are in a water, as far as that is needed."""
        if self._wetness is not None or not self._electrodes:
            return self._floating() < FLOATS
        # the electrodes turned with the event, or are held by a film in air, and are at rest since
        turned_s = self._bent_s()
        with_event = self._event is None or turned_s >= self._event.since_s - SOON_S
        return with_event and t - turned_s >= self._quiet_s + 2.0 * self._dt

    def _turned_s(self) -> float:
        """Give the time of the last turn of any channel but conductivity."""
        return max((trail.bent_s for trail in self._trails), default=-inf)

    def _is_steady(self, t: float) -> bool:
        return self._wetness is None or self._wetness.steady_s(t) >= HOLD_S

    def _follow_wetness(self, t: float, x: float, wet: Wetness) -> None:
        was_away = wet.away_s
        wet.update(t, x)
        place = self._place
        if wet.in_water:
            if wet.away_s is not None:
                self._follow_away(t, x, wet, wet.away_s)
            elif was_away is not None and wet.away_n > 1 and wet.is_back(x):
                out_s = GRACE_S if wet.film < FILM_PART * wet.level else LONG_S
                if t - was_away >= out_s and wet.film < OUT_PART * wet.level:
                    self._enter("water", t, "conductivity is back after a while", x)
                else:
                    self._lift(t, "it left the water for a moment")
            return
        risen = wet.risen(t)
        flat = self._flat(t, wet, place.since_s)
        if risen is not None:
            self._enter("water", risen, "conductivity rose", x)
        elif flat is not None:
            self._enter("water", flat, "conductivity stays where a film would dry", x)
        elif place.medium == "unknown" and wet.is_dry(t):
            self._leave(place.since_s, "conductivity is zero")

    def _follow_away(self, t: float, x: float, wet: Wetness, away_s: float) -> None:
        """Conductivity is too low for the water it was in: air, or another water."""
        risen = wet.risen(t)
        flat = self._flat(t, wet, away_s)
        if risen is not None and (wet.steady_s(t) >= HOLD_S or t - risen >= GRACE_S):
            self._enter("water", risen, "another water: conductivity fell and rose", x)
        elif flat is not None:
            self._enter("water", flat, "another water: conductivity fell and stays", x)
        elif wet.is_out(t, GRACE_S):
            self._leave(self._start_of(away_s), "conductivity fell to that of a wet probe in air")

    def _flat(self, t: float, wet: Wetness, fell_s: float) -> float | None:
        """Give since when a flat conductivity is a water's, if it is one, `fell_s` at the earliest.

        It may have come to rest a while after the probe came in; when the electrodes turned in
        between, that was the moment.
        """
        if wet.low < SURELY_WET * wet.unit and self._floating() >= FLOATS:
            return None
        bent_s = self._bent_s()
        calm = bent_s > fell_s + HOLD_S and t - bent_s >= self._quiet_s
        flat = wet.flat(t, calm=calm)
        if flat is None:
            return None
        since = fell_s if flat - fell_s < SOON_S else flat
        return min(max(since, self._turned_s()), t)

    def _follow_electrodes(self, t: float) -> None:
        """Without conductivity: an electrode out of water wanders."""
        if not all(trail.heard for trail in self._electrodes):
            return
        place = self._place
        if self._floating() < FLOATS:
            self._float_s = None
        elif self._float_s is None:
            self._float_s = t
        if place.medium != "air" and self._float_s is not None:
            if self._event is not None:
                self._event.lifted = "it left the water for a moment"
                self._event.back_s = t
            if t - self._float_s >= HOLD_S:
                since = self._start_of(self._float_s - GRACE_S)
                self._leave(max(since, place.since_s), "the electrodes float")
        elif place.medium != "water" and self._is_quiet(t):
            since = max(self._bent_s(), place.since_s)
            self._enter("water", since, "the electrodes are quiet", None)

    def _start_of(self, since: float) -> float:
        """Give the start of the event that led to this moment, when one did just before."""
        event = self._event
        if event is not None and since - GRACE_S <= event.since_s < since:
            return event.since_s
        return since

    # ---- one water or the next

    def _lift(self, t: float, why: str) -> None:
        if self._event is None:
            self._event = _Event(t)
        self._event.lifted = why
        self._event.back_s = t
        self._event.strong_s = None
        self._event.rise_s = None

    def _follow_event(self, t: float, gap: float) -> None:
        """Notice that a channel leaves its trail, and follow what becomes of it."""
        if self._wetness is not None and self._wetness.away_s is not None:
            return
        if self._event is None:
            for trail in self._trails:
                if trail.points >= NOTED:
                    break
            else:
                if not gap:
                    return
            self._event = _Event(t)
            if gap:
                self._event.gap = True
                self._event.lifted = f"the meter was silent for {gap:.0f} s"
            pure = self._wetness is not None and self._wetness.level < PURE
            for trail in self._electrodes:
                trail.slack = 2.0 if pure else 1.0
        self._weigh(t, self._event)

    def _weigh(self, t: float, event: _Event) -> None:
        """Weigh how far the channels have left their trails, and for how long."""
        ionic = self._ionic
        if ionic is None or ionic.points < NOTED:
            event.ionic_s = None
        elif event.ionic_s is None or event.ionic_up != (ionic.x > ionic.anchor):
            event.ionic_s = t
            event.ionic_up = ionic.x > ionic.anchor
        noted = [trail.points for trail in self._trails if trail.points >= NOTED]
        gone = [points for points in noted if points >= COUNTED]
        total = sum(gone)
        if not noted:
            event.rise_s = None
        elif event.rise_s is None:
            turned_s = self._turned_s()
            event.rise_s = turned_s if t - turned_s < 8.0 else t
        event.joint_n += len(gone) > 1 and total >= 0.5 * SURE
        if ionic is not None:
            event.dipped += ionic.points >= 2.0 and ionic.x < ionic.anchor
        # out of the water for a moment: the cell showed it, and is back
        out = event.lifted or (
            event.dipped > 1 and ionic is not None and ionic.x > BACK_PART * ionic.anchor
        )
        if total < (LIFTED if out and not event.gap else self._limit):
            event.strong_s = None
            if self._was_out(t, event, total):
                self._enter(self._place.medium, t, "back after a while out of the water", None)
            else:
                self._doubt(t, event, passed=not noted)
            return
        if event.strong_s is None:
            event.strong_s = t
        elif t - event.strong_s >= HOLD_S and self._is_quiet(t) and self._is_steady(t):
            since = event.back_s if event.lifted or event.rise_s is None else event.rise_s
            if event.ionic_s is not None and not event.lifted:
                since = event.ionic_s  # the fastest, and it does not float in air
            if self._wetness is None:
                since = max(since, self._bent_s())  # it went through air unnoticed
            x = ionic.x if ionic else None
            why = "several channels moved together" if len(gone) > 1 else "it moved at once"
            self._enter(self._place.medium, since, f"another water: {why}", x)

    def _was_out(self, t: float, event: _Event, total: float) -> bool:
        """Without conductivity: say whether an electrode was far off for a while and came back.

        What stirring moves stays below that, and what drifts does not come back at once.
        """
        if self._wetness is not None or not self._electrodes:
            return False
        if any(trail.points >= LIFTED for trail in self._electrodes):
            event.far_s = t if event.far_s is None else event.far_s
            event.far_end_s = t
            return False
        if event.far_s is None or total >= 1.0:
            return False
        soon = t - event.far_end_s <= HOLD_S + 2.0 * self._dt
        return soon and event.far_end_s - event.far_s >= GRACE_S - self._dt

    def _doubt(self, t: float, event: _Event, *, passed: bool) -> None:
        """End an event once it has passed, or has lasted too long to be a change."""
        if not passed:
            event.calm_s = None
            if t - event.since_s > max(DOUBT_S, 6.0 * self._dt):
                self._close(event, "it moved on and stayed")
                for trail in self._trails:
                    trail.restart()
        elif event.calm_s is None:
            event.calm_s = t
        elif t - event.calm_s >= HOLD_S:
            self._close(event, "it was stirred")

    def _close(self, event: _Event, why: str) -> None:
        """End an event that was not another water."""
        self._event = None
        for trail in self._trails:
            trail.forget_block()
        if event.lifted or event.joint_n > 1:
            reason = f"the same water: {event.lifted or why}"
            self._place = replace(self._place, disturbed=True, reason=reason)

    # ---- conclusions

    def _enter(self, medium: Medium, since: float, reason: str, ionic: float | None) -> None:
        number = self._place.number + 1
        self._place = Place(medium, number, since, changed=True, reason=reason)
        self._event = None
        self._float_s = None
        if self._wetness is not None:
            at_rest = self._wetness.steady_s(self._t) >= HOLD_S
            self._wetness.enter(ionic or 0.0, at_rest=at_rest)
        for trail in self._trails:
            trail.restart()

    def _leave(self, since: float, reason: str) -> None:
        self._place = Place("air", self._place.number, since, changed=True, reason=reason)
        self._event = None
        self._float_s = None
        if self._wetness is not None:
            self._wetness.leave()

    def _mark_pending(self) -> None:
        away = self._wetness is not None and self._wetness.away_s is not None
        pending = self._place.medium != "air" and (
            self._event is not None or self._blank_s is not None or away
        )
        if pending != self._place.pending:
            self._place = replace(self._place, pending=pending)
