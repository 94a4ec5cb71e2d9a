"""Weighs departures in water: another water, or the same one stirred, bubbled, drifting?

Several channels that leave their trails together are another water; one channel alone (a bubble, a
spike) or a little of each (stirring) is not. Pure, bounded memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from acquire.immersion.electrodes import FLOATS, Electrodes
from acquire.immersion.trail import SURE, Trail

__all__ = ["GRACE_S", "HOLD_S", "SOON_S", "Departure", "Verdict"]

GRACE_S = 6.0
"""A lift shorter than this, back into what is evidently the same water, is one immersion."""
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


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a departure was."""

    is_other: bool
    """Another water, or the same one disturbed."""
    since_s: float
    reason: str


class _Event:
    """A time in water in which some channel is off its trail, until it is explained."""

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


class Departure:
    """Follows one departure at a time; the trails are fed by the caller."""

    def __init__(
        self, trails: Sequence[Trail], ionic: Trail | None, electrodes: Electrodes
    ) -> None:
        self._trails = trails
        self._ionic = ionic
        self._electrodes = electrodes
        self._limit = SURE if ionic or len(trails) > 2 else 2.5
        self._event: _Event | None = None

    @property
    def is_open(self) -> bool:
        """Whether a departure waits for its explanation."""
        return self._event is not None

    @property
    def is_pending(self) -> bool:
        """Whether some channel is off its trail just now."""
        return self._event is not None and self._event.calm_s is None

    def forget(self) -> None:
        """Drop the departure: the probe is elsewhere."""
        self._event = None

    def start_of(self, since: float) -> float:
        """Give the start of the departure that led to this moment, when one did just before."""
        event = self._event
        if event is not None and since - GRACE_S <= event.since_s < since:
            return event.since_s
        return since

    def lift(self, t: float, why: str) -> None:
        """Note that the probe has come back from a moment out of the water."""
        if self._event is None:
            self._event = _Event(t)
        self._event.lifted = why
        self._event.back_s = t
        self._event.strong_s = None
        self._event.rise_s = None

    def float_on(self, t: float) -> None:
        """Note that the electrodes float just now, which may be a lift."""
        if self._event is not None:
            self._event.lifted = "it left the water for a moment"
            self._event.back_s = t

    def follow(
        self, t: float, *, dt: float, gap: float, is_pure: bool, is_steady: bool
    ) -> Verdict | None:
        """Look at the trails after a reading; give a verdict once there is one.

        `dt` is the usual time between readings and `gap` that since the last one when it was
        unusual (else 0), in s; `is_steady` says whether conductivity has come to rest.
        """
        if self._event is None:
            for trail in self._trails:
                if trail.points >= NOTED:
                    break
            else:
                if not gap:
                    return None
            self._event = _Event(t)
            if gap:
                self._event.gap = True
                self._event.lifted = f"the meter was silent for {gap:.0f} s"
            for trail in self._electrodes.trails:
                trail.slack = 2.0 if is_pure else 1.0
        return self._weigh(t, dt, self._event, is_steady=is_steady)

    def _weigh(self, t: float, dt: float, event: _Event, *, is_steady: bool) -> Verdict | None:
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
            turned_s = max((trail.bent_s for trail in self._trails), default=-inf)
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
            if self._was_out(t, dt, event, total):
                return Verdict(True, t, "back after a while out of the water")
            return self._doubt(t, dt, event, passed=not noted)
        if event.strong_s is None:
            event.strong_s = t
        elif t - event.strong_s >= HOLD_S and is_steady and self._in_water(t, dt, event):
            why = "several channels moved together" if len(gone) > 1 else "it moved at once"
            return Verdict(True, self._start(event), f"another water: {why}")
        return None

    def _in_water(self, t: float, dt: float, event: _Event) -> bool:
        """Say whether the electrodes allow what is there to be a water."""
        electrodes = self._electrodes
        if self._ionic is not None or not electrodes:
            return electrodes.floating() < FLOATS
        # without conductivity they must have turned with the departure and be at rest since:
        # held by a film in air they do neither
        turned = electrodes.bent_s() >= event.since_s - SOON_S
        return turned and electrodes.are_quiet(t, dt)

    def _start(self, event: _Event) -> float:
        """Give the moment the probe came into the other water."""
        since = event.back_s if event.lifted or event.rise_s is None else event.rise_s
        if event.ionic_s is not None and not event.lifted:
            since = event.ionic_s  # the fastest, and it does not float in air
        if self._ionic is None:
            since = max(since, self._electrodes.bent_s())  # it went through air unnoticed
        return since

    def _was_out(self, t: float, dt: float, event: _Event, total: float) -> bool:
        """Without conductivity: say whether an electrode was far off for a while and came back.

        What stirring moves stays below that, and what drifts does not come back at once.
        """
        if self._ionic is not None:
            return False
        if any(trail.points >= LIFTED for trail in self._electrodes.trails):
            event.far_s = t if event.far_s is None else event.far_s
            event.far_end_s = t
            return False
        if event.far_s is None or total >= 1.0:
            return False
        soon = t - event.far_end_s <= HOLD_S + 2.0 * dt
        return soon and event.far_end_s - event.far_s >= GRACE_S - dt

    def _doubt(self, t: float, dt: float, event: _Event, *, passed: bool) -> Verdict | None:
        """End an event once it has passed, or has lasted too long to be a change."""
        if not passed:
            event.calm_s = None
            if t - event.since_s > max(DOUBT_S, 6.0 * dt):
                for trail in self._trails:
                    trail.restart()
                return self._close(t, event, "it moved on and stayed")
        elif event.calm_s is None:
            event.calm_s = t
        elif t - event.calm_s >= HOLD_S:
            return self._close(t, event, "it was stirred")
        return None

    def _close(self, t: float, event: _Event, why: str) -> Verdict | None:
        """End an event that was not another water."""
        self._event = None
        for trail in self._trails:
            trail.forget_block()
        if event.lifted or event.joint_n > 1:
            return Verdict(False, t, f"the same water: {event.lifted or why}")
        return None
