"""Whether a water moved, or only the meter: its trend, and the last visit against the one before.

What a meter's checks say of it is taken off, so that its drift is not read as a change of the
water. Pure. Numbers in the quantity's unit; months have 30 days.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import Literal

from acquire.bench.beside_meter import Beside, beside_meter, drift_beside
from acquire.bench.comparison import TOLERANCES
from acquire.bench.differing import Differs, difference_between, told
from acquire.bench.flagged import doubts
from acquire.bench.meter_state import DAY_MS, LEAST_DAYS, MONTH_DAYS, SESSION_MS
from acquire.bench.sides import IMPORTED, Channels, Measured
from acquire.checks import Check, StandingCorrection
from acquire.quantities import Quantity
from acquire.stats.budget import Budget, Component, difference
from acquire.stats.trend import LATEST, theil_sen

__all__ = ["Change", "Point", "WaterTrend", "change_of", "is_one_session", "trend_of"]

Read = Literal["rising", "falling", "no trend", "cannot tell"]


@dataclass(frozen=True, slots=True)
class Point:
    """One quantity on one visit; repeats of a round are one point."""

    at_ms: int
    value: float
    expanded_u: float
    """95 %, with what the meter may be off; infinite where nobody knows."""
    captures: tuple[str, ...]
    round_id: str
    """Empty outside a round."""
    meter: str
    is_imported: bool
    flags: tuple[str, ...]

    @property
    def is_doubted(self) -> bool:
        """Whether it may be another water's, or had not come to rest: no trend rests on it."""
        return bool(doubts(self.flags))


@dataclass(frozen=True, slots=True)
class WaterTrend:
    """A straight line through the points: Theil-Sen, per 30 days, with its 95 % interval."""

    per_month: float
    low: float
    high: float
    p_value: float
    drift: Beside | None
    """What the meter itself moved by, from its checks; None where they do not tell."""
    verdict: Read
    why: str


@dataclass(frozen=True, slots=True)
class Change:
    """The last point against the one before."""

    since_ms: int
    budget: Budget
    verdict: Differs
    why: str
    by_checks: bool
    """Whether checks of both days took the meter's drift off."""


def trend_of(
    quantity: Quantity,
    points: Sequence[Point],
    checks: Sequence[Check],
    channels: Channels,
    corrections: Sequence[StandingCorrection],
) -> WaterTrend | None:
    """Fit the points that nothing speaks against; None with fewer than three or within a week."""
    name = quantity.name
    last = [point for point in points if not point.is_doubted][-LATEST:]
    if len(last) < 3 or last[-1].at_ms - last[0].at_ms < LEAST_DAYS * DAY_MS:
        return None
    days = [(point.at_ms - last[0].at_ms) / DAY_MS for point in last]
    found = theil_sen(days, [point.value for point in last])
    slope, low, high = (MONTH_DAYS * part for part in (found.slope, found.low, found.high))
    level = fmean(point.value for point in last)
    drift = drift_beside(name, [c for c in checks if c.meter == last[-1].meter], level, corrections)
    moved = abs(found.slope) * days[-1]
    most = max(abs(found.low), abs(found.high)) * days[-1]
    matters = TOLERANCES * quantity.tolerance.at(level)
    if low <= 0.0 <= high and math.isfinite(most):
        verdict, why = _still(most, matters)
    else:
        verdict, why = _read(low, high, drift, moved, _allowed(name, last, channels))
    against = _against(last)
    if against and verdict in {"rising", "falling"}:
        verdict, why = "cannot tell", against
    return WaterTrend(slope, low, high, found.p_value, drift, verdict, why)


def _against(points: Sequence[Point]) -> str:
    """Say why a slope through these points is nobody's; empty when nothing speaks against it."""
    if len({point.meter for point in points}) > 1:
        return "more than one meter: what one is off against the other would look the same"
    if any(point.is_imported for point in points):
        return "some are imported: nobody knows whether they had come to rest, and how"
    return ""


def _allowed(name: str, points: Sequence[Point], channels: Channels) -> float | None:
    """How far a meter within its maker's ± can have moved: from one end to the other."""
    channel = channels.get(points[-1].meter, {}).get(name)
    if channel is None:
        return None
    level = max(abs(point.value) for point in points)
    return 2.0 * max(channel.accuracy, channel.accuracy_relative * level) or None


def _still(most: float, matters: float) -> tuple[Read, str]:
    """Read a slope that may be none: `most` and `matters` are changes over all the visits."""
    if most <= matters:
        return "no trend", f"a change of {matters:.2g} over these visits would have shown"
    return "cannot tell", (
        f"no change is within its interval, and so is one of {most:.2g} over these visits, where "
        f"{matters:.2g} matters"
    )


def _read(
    low: float, high: float, drift: Beside | None, moved: float, allowed: float | None
) -> tuple[Read, str]:
    """Read a slope as one of the water only where the meter cannot have made it."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return "cannot tell", "too few values: any change is within its interval"
    word: Literal["rising", "falling"] = "rising" if low > 0 else "falling"
    if drift is not None:
        if low - drift.high <= 0.0 <= high - drift.low:
            return "cannot tell", "the meter itself drifts so, by its checks: not the water's doing"
        return word, "more than the meter drifts by its checks"
    if allowed is not None and moved > allowed:
        return word, "more than the meter's accuracy allows for; its checks do not tell its drift"
    return "cannot tell", (
        "a drift of the meter would look the same: three checks over the time would tell"
    )


def is_one_session(points: Sequence[Point]) -> bool:
    """Whether the meter was the same in all of them."""
    return points[-1].at_ms - points[0].at_ms <= SESSION_MS


def change_of(
    quantity: Quantity,
    pair: tuple[Measured | None, Measured | None],
    points: Sequence[Point],
    checks: Sequence[Check],
    corrections: Sequence[StandingCorrection],
) -> Change | None:
    """Hold the second of two points against the first, with the checks of both days."""
    one_session = is_one_session(points)
    before, after = pair
    if before is None or after is None:
        return None
    then, now = (
        beside_meter(said, [c for c in checks if c.meter == p.meter], p.at_ms, corrections)
        for said, p in zip((before, after), points, strict=True)
    )
    by_checks = then is not None and now is not None and not one_session
    if then is not None and now is not None and by_checks:
        budget = difference(_bare(after), _bare(before))
        parts = (Component("check then", then.u), Component("check now", now.u))
        budget = Budget(
            budget.value - now.bias + then.bias, (*budget.components, *parts), budget.unit
        )
    else:
        budget = difference_between(before, after)
    matters = TOLERANCES * quantity.tolerance.at(before.value)
    verdict, why = told(budget, matters)
    odd = dict.fromkeys(flag for point in points for flag in doubts(point.flags))
    if any(point.is_imported for point in points):
        verdict, why = "cannot tell", IMPORTED
    elif odd:
        verdict, why = "cannot tell", "; ".join(odd)
    return Change(points[0].at_ms, budget, verdict, why, by_checks)


def _bare(one: Measured) -> Budget:
    """The budget without what the meter is off: checks say that."""
    kept = tuple(p for p in one.budget.components if p.shared == "no")
    return Budget(one.value, kept, one.budget.unit)
