"""Follows a probe from air to water to the next water, from whatever channels the meter has.

Pure: no clock, no I/O, bounded memory. Three kinds of evidence, strongest first:

* conductivity (or dissolved solids when there is no other), see `wetness`;
* a glass electrode or platinum ring out of water is an open circuit and wanders; a meter that
  blanks shows nothing at all;
* in water, several channels that leave their trails together are another water, see `departure`.

A decision may come some seconds late; `Place.since_s` is always the moment it is about. Limits
without a source are judgement, and say so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf
from typing import Literal

from acquire.immersion.departure import GRACE_S, HOLD_S, SOON_S, Departure
from acquire.immersion.electrodes import FLOATS, Electrodes
from acquire.immersion.trail import Trail
from acquire.immersion.wetness import FILM_PART, SURELY_WET, Wetness
from acquire.readings import Channel, Flag

__all__ = ["Immersion", "Medium", "Place"]

Medium = Literal["air", "water", "unknown"]

LONG_S = 8.0
"""As `GRACE_S`, where conductivity never fell to that of a film: the meter averages, it dripped."""
PURE = 50.0
"""µS/cm below which pH and ORP answer to stirring twice as much (common practice, no source)."""
OUT_PART = 0.4
"""Of its level: conductivity that fell below it was out of the water, not behind a bubble."""


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


class Immersion:
    """Tells air from water, and one water from the next."""

    def __init__(self, channels: Sequence[Channel]) -> None:
        names = {channel.quantity for channel in channels}
        own = {c.quantity: Trail(c) for c in channels if c.follows not in names}
        self._trails = list(own.values())
        self._ionic = own.get("conductivity") or own.get("tds")
        self._wetness = Wetness(self._ionic.resolution) if self._ionic else None
        self._electrodes = Electrodes([own[name] for name in ("ph", "orp") if name in own])
        self._departure = Departure(self._trails, self._ionic, self._electrodes)
        self._shown = set(own) - {"temperature"} or set(own)
        self._place = Place("unknown", 0, 0.0, reason="nothing read yet")
        self._t = -inf
        self._dt = 0.0
        self._shown_t = -inf
        self._shown_dt = 0.0
        self._blank_s: float | None = None
        self._was_blank = False
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
            place = self._place
            if place.medium != "air" and place.number and not place.changed:
                self._follow_departure(t_s, gap)
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
        held = gap > 0.0 or self._departure.is_open or (wet is not None and wet.away_s is not None)
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
                self._departure.lift(t, "the meter showed nothing")

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
                    self._departure.lift(t, "it left the water for a moment")
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
            self._leave(
                self._departure.start_of(away_s), "conductivity fell to that of a wet probe in air"
            )

    def _flat(self, t: float, wet: Wetness, fell_s: float) -> float | None:
        """Give since when a flat conductivity is a water's, if it is one, `fell_s` at the earliest.

        It may have come to rest a while after the probe came in; when the electrodes turned in
        between, that was the moment.
        """
        if wet.low < SURELY_WET * wet.unit and self._electrodes.floating() >= FLOATS:
            return None
        bent_s = self._electrodes.bent_s()
        calm = bent_s > fell_s + HOLD_S and self._electrodes.are_quiet(t)
        flat = wet.flat(t, calm=calm)
        if flat is None:
            return None
        since = fell_s if flat - fell_s < SOON_S else flat
        return max(since, *(trail.bent_s for trail in self._trails))

    def _follow_electrodes(self, t: float) -> None:
        """Without conductivity: an electrode out of water wanders."""
        if not self._electrodes.are_heard:
            return
        place = self._place
        if self._electrodes.floating() < FLOATS:
            self._float_s = None
        elif self._float_s is None:
            self._float_s = t
        if place.medium != "air" and self._float_s is not None:
            self._departure.float_on(t)
            if t - self._float_s >= HOLD_S:
                since = self._departure.start_of(self._float_s - GRACE_S)
                self._leave(since, "the electrodes float")
        elif place.medium != "water" and self._electrodes.are_quiet(t, self._dt):
            self._enter("water", self._electrodes.bent_s(), "the electrodes are quiet", None)

    # ---- one water or the next

    def _follow_departure(self, t: float, gap: float) -> None:
        wet = self._wetness
        if wet is not None and wet.away_s is not None:
            return
        verdict = self._departure.follow(
            t,
            dt=self._dt,
            gap=gap,
            is_pure=wet is not None and wet.level < PURE,
            is_steady=wet is None or wet.steady_s(t) >= HOLD_S,
        )
        if verdict is None:
            return
        if verdict.is_other:
            x = self._ionic.x if self._ionic else None
            self._enter(self._place.medium, verdict.since_s, verdict.reason, x)
        else:
            self._place = replace(self._place, disturbed=True, reason=verdict.reason)

    # ---- conclusions

    def _enter(self, medium: Medium, since: float, reason: str, ionic: float | None) -> None:
        since = min(max(since, self._place.since_s), self._t)
        number = self._place.number + 1
        self._place = Place(medium, number, since, changed=True, reason=reason)
        self._departure.forget()
        self._float_s = None
        if self._wetness is not None:
            at_rest = self._wetness.steady_s(self._t) >= HOLD_S
            self._wetness.enter(ionic or 0.0, at_rest=at_rest)
        for trail in self._trails:
            trail.restart()

    def _leave(self, since: float, reason: str) -> None:
        since = min(max(since, self._place.since_s), self._t)
        self._place = Place("air", self._place.number, since, changed=True, reason=reason)
        self._departure.forget()
        self._float_s = None
        if self._wetness is not None:
            self._wetness.leave()

    def _mark_pending(self) -> None:
        away = self._wetness is not None and self._wetness.away_s is not None
        pending = self._place.medium != "air" and (
            self._departure.is_pending or self._blank_s is not None or away
        )
        if pending != self._place.pending:
            self._place = replace(self._place, pending=pending)
