"""How a meter stands by its checks: good until when, how it drifts, what its electrode is. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from statistics import fmean

from acquire.checks import Check, StandingCorrection, in_force
from acquire.errors import WaterError
from acquire.stats.charts import Individuals, individuals
from acquire.stats.trend import LATEST, theil_sen
from acquire.water.electrode import (
    BufferReading,
    Electrode,
    evaluate_electrode,
    judge_electrode,
    nernst_slope,
)

__all__ = [
    "DAY_MS",
    "LEAST_DAYS",
    "MONTH_DAYS",
    "SESSION_MS",
    "Drift",
    "ElectrodeState",
    "MeterState",
    "QuantityState",
    "SolutionState",
    "drift_of",
    "electrode_of",
    "failures",
    "meter_state",
]

DAY_MS = 86_400_000
MONTH_DAYS = 30.0
SESSION_MS = 12 * 3_600_000
"""Checks and captures this close together are one session: what the meter is off, and its
electrode, are the same in them."""
LEAST_DAYS = 7.0
"""A drift per month from checks of a few days is mostly their uncertainty."""
CHARTED = 1000


@dataclass(frozen=True, slots=True)
class Drift:
    """Change of the bias per 30 days."""

    per_month: float
    low: float | None
    high: float | None
    """95 % interval (Theil-Sen); None from two checks, infinite where it has no bound."""
    checks: int
    days: float


@dataclass(frozen=True, slots=True)
class SolutionState:
    """One quantity by one solution, oldest check first; mistaken bottles left out."""

    quantity: str
    solution: str
    label: str
    checks: tuple[Check, ...]
    mistaken: int
    """Checks left out because another solution was in the glass."""
    drift: Drift | None
    chart: Individuals | None
    """Of the biases; None with a single check."""

    @property
    def last(self) -> Check:
        return self.checks[-1]


@dataclass(frozen=True, slots=True)
class QuantityState:
    """Whether a quantity is trusted, and until when."""

    quantity: str
    good_until_ms: int | None
    """Last pass and the interval; None when it never passed, or failed since."""
    is_good: bool
    reason: str
    solutions: tuple[SolutionState, ...]


@dataclass(frozen=True, slots=True)
class ElectrodeState:
    """What the buffers of one session say of the pH electrode, as the meter shows it."""

    at_ms: int
    temp_c: float
    electrode: Electrode
    verdict: str
    reasons: tuple[str, ...]
    checks: tuple[Check, ...]


@dataclass(frozen=True, slots=True)
class MeterState:
    """All of it, at one moment."""

    meter: str
    now_ms: int
    every_days: int
    quantities: tuple[QuantityState, ...]
    electrode: ElectrodeState | None
    corrections: tuple[StandingCorrection, ...]


def meter_state(
    meter: str,
    checks: Iterable[Check],
    corrections: Iterable[StandingCorrection],
    *,
    every_days: int,
    now_ms: int,
) -> MeterState:
    """Give how a meter stands; `checks` and `corrections` are all of it, `every_days` a habit."""
    mine = sorted((c for c in checks if c.meter == meter), key=lambda c: (c.quantity, c.at_ms))
    quantities = tuple(
        _quantity(name, list(some), every_days, now_ms)
        for name, some in groupby(mine, key=lambda c: c.quantity)
    )
    standing = in_force(one for one in corrections if one.meter == meter)
    return MeterState(
        meter, now_ms, every_days, quantities, electrode_of(mine), tuple(standing.values())
    )


def _quantity(name: str, checks: Sequence[Check], every_days: int, now_ms: int) -> QuantityState:
    by_solution: dict[str, list[Check]] = {}
    for check in checks:
        by_solution.setdefault(check.solution, []).append(check)
    states = (_solution(some) for some in by_solution.values())
    solutions = tuple(state for state in states if state is not None)
    last = _last_pass(checks)
    since = failures(checks)
    if since:
        reason = f"check {since[-1].capture_id} failed with {since[-1].label}"
        return QuantityState(name, None, False, reason, solutions)
    if last is None:
        return QuantityState(name, None, False, "no check has passed yet", solutions)
    until_ms = last.at_ms + every_days * DAY_MS
    if now_ms > until_ms:
        reason = f"the last check that passed is older than {every_days} days"
        return QuantityState(name, until_ms, False, reason, solutions)
    return QuantityState(name, until_ms, True, f"check {last.capture_id} passed", solutions)


def failures(checks: Sequence[Check]) -> list[Check]:
    """Give the checks that speak against one quantity of one meter; `checks` oldest first.

    Of each solution the last decisive one, when it failed, and none passed since; a mistaken
    bottle says nothing.
    """
    last = _last_pass(checks)
    decisive = {c.solution: c for c in checks if c.verdict != "cannot tell" and not c.resembles}
    failed = [check for check in decisive.values() if check.verdict == "fail"]
    return [f for f in failed if last is None or f.at_ms >= last.at_ms - SESSION_MS]


def _last_pass(checks: Sequence[Check]) -> Check | None:
    return next((check for check in reversed(checks) if check.verdict == "pass"), None)


def _solution(checks: Sequence[Check]) -> SolutionState | None:
    right = [check for check in checks if not check.resembles][-CHARTED:]
    if not right:
        return None
    chart = individuals(check.bias for check in right) if len(right) > 1 else None
    last = right[-1]
    return SolutionState(
        last.quantity,
        last.solution,
        last.label,
        tuple(right),
        sum(bool(check.resembles) for check in checks),
        drift_of(right),
        chart,
    )


def drift_of(checks: Sequence[Check]) -> Drift | None:
    """Give how the bias moves: Theil-Sen from three checks on, two give a slope and no interval.

    None with one check, or when all lie within a week.
    """
    checks = checks[-LATEST:]
    days = [(check.at_ms - checks[0].at_ms) / DAY_MS for check in checks]
    if len(checks) < 2 or days[-1] < LEAST_DAYS:
        return None
    biases = [check.bias for check in checks]
    if len(checks) == 2:
        slope = (biases[1] - biases[0]) / days[1]
        return Drift(slope * MONTH_DAYS, None, None, 2, days[-1])
    trend = theil_sen(days, biases)
    low, high = trend.low * MONTH_DAYS, trend.high * MONTH_DAYS
    return Drift(trend.slope * MONTH_DAYS, low, high, len(checks), days[-1])


def electrode_of(checks: Iterable[Check]) -> ElectrodeState | None:
    """Evaluate the pH electrode from the buffers of the last session that had two or more.

    A meter that shows pH has its own calibration: a shown pH stands for the potential that an ideal
    electrode of this calibration gives, E = -k(T) (pH - 7). So slope and offset are what is left
    after the meter's own. None without two buffers at least 1 pH apart within twelve hours.
    """
    buffers = [c for c in checks if c.quantity == "ph" and not c.resembles]
    for end in sorted(buffers, key=lambda c: c.at_ms, reverse=True):
        session = {c.solution: c for c in buffers if end.at_ms - SESSION_MS <= c.at_ms <= end.at_ms}
        if len(session) < 2:
            continue
        try:
            return _electrode(tuple(session.values()))
        except WaterError:
            continue  # too close together, or nonsense: an earlier session may tell
    return None


def _electrode(checks: tuple[Check, ...]) -> ElectrodeState:
    temp_c = fmean(check.temp_c for check in checks)
    slope = nernst_slope(temp_c)
    readings = [BufferReading(c.expected, -slope * (c.said - 7.0)) for c in checks]
    found = evaluate_electrode(readings, temp_c=temp_c)
    verdict, reasons = judge_electrode(found)
    at_ms = max(check.at_ms for check in checks)
    return ElectrodeState(at_ms, temp_c, found, verdict, reasons, checks)
