"""What the checks of a meter say of a water's values: how far it was off then, how it drifts. Pure.

Always of the value in use: with the correction that was in force, where there was one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from acquire.bench.meter_state import DAY_MS, LEAST_DAYS, MONTH_DAYS, SESSION_MS
from acquire.bench.sides import Measured
from acquire.checks import Check, StandingCorrection
from acquire.stats.trend import LATEST, theil_sen

__all__ = ["Beside", "Off", "beside_meter", "drift_beside"]

_IN_PROPORTION = {"conductivity", "tds", "salinity"}
"""A cell is off in proportion: what it is off in a solution is carried to a water by the ratio."""


@dataclass(frozen=True, slots=True)
class Off:
    """How far the meter was off at a moment, at the level of the water."""

    bias: float
    u: float
    """Standard uncertainty."""
    check: Check


@dataclass(frozen=True, slots=True)
class Beside:
    """How the meter drifts at the level of the water, per 30 days, with its 95 % interval."""

    per_month: float
    low: float
    high: float
    checks: int
    solution: str


def _in_use(check: Check, corrections: Sequence[StandingCorrection]) -> float:
    """The check's value as captures of its session show it.

    A correction made from this very check came after it and holds for what followed.
    """
    for one in reversed(corrections):
        mine = one.meter == check.meter and one.quantity == check.quantity
        if mine and check.capture_id in one.check_ids and one.from_ms - check.at_ms <= SESSION_MS:
            return one.line.apply(check.said)
    return check.said if check.corrected is None else check.corrected


def _scale(name: str, check: Check, level: float) -> float:
    if name in _IN_PROPORTION or check.quantity in _IN_PROPORTION:
        return level / check.expected if check.expected else 1.0
    return 1.0


def beside_meter(
    point: Measured, checks: Sequence[Check], at_ms: int, corrections: Sequence[StandingCorrection]
) -> Off | None:
    """Give what the nearest check of the same session says; `checks` are those of the meter.

    The check is corrected as the value was, whatever was in force when it was made.
    """
    level = point.value
    near = [c for c in checks if abs(c.at_ms - at_ms) <= SESSION_MS and not c.resembles]
    if not near:
        return None
    # The solution nearest to the water's level says most of it, then the nearest in time.
    check = min(near, key=lambda c: (abs(c.expected - level), abs(c.at_ms - at_ms)))
    used = [c for c in corrections if c.meter == check.meter and c.method in point.method]
    said = next(
        (c.line.apply(check.said) for c in used if c.quantity == check.quantity), check.said
    )
    scale = _scale(point.quantity, check, level)
    return Off(scale * (said - check.expected), abs(scale) * check.u, check)


def drift_beside(
    name: str, checks: Sequence[Check], level: float, corrections: Sequence[StandingCorrection]
) -> Beside | None:
    """Give the drift by the solution that was checked most: Theil-Sen from three checks on.

    None with fewer, within a week, or where three checks cannot bound it.
    """
    by_solution: dict[tuple[str, str], list[Check]] = {}
    for check in checks:
        if not check.resembles:
            by_solution.setdefault((check.quantity, check.solution), []).append(check)
    mine = max(by_solution.values(), key=len, default=[])[-LATEST:]
    if len(mine) < 3 or mine[-1].at_ms - mine[0].at_ms < LEAST_DAYS * DAY_MS:
        return None
    days = [(check.at_ms - mine[0].at_ms) / DAY_MS for check in mine]
    found = theil_sen(days, [_in_use(check, corrections) - check.expected for check in mine])
    scale = MONTH_DAYS * _scale(name, mine[-1], level)
    ends = sorted((scale * found.low, scale * found.high))
    if not math.isfinite(ends[0] + ends[1]):
        # Three to five checks give no rank interval: how sure the first and last are bounds it.
        spread = 2.0 * math.hypot(mine[0].u, mine[-1].u) / days[-1]
        middle, reach = scale * found.slope, abs(scale) * spread
        ends = [middle - reach, middle + reach]
    return Beside(scale * found.slope, ends[0], ends[1], len(mine), mine[-1].label)
