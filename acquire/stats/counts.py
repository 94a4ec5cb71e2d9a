"""Counted particles: exact Poisson intervals, the comparison of two counts, blanks.

A count of zero is not "none": 3.7 may still have been there (95 %, two-sided).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from acquire.errors import WaterError
from acquire.stats.quantiles import beta_quantile, binomial_tail, gamma_quantile, normal_quantile
from acquire.water.inputs import positive

__all__ = [
    "RateRatio",
    "critical_level",
    "detection_limit",
    "left_over",
    "poisson_interval",
    "poisson_upper",
    "rate_ratio",
]


def _count(value: float, what: str) -> int:
    number = positive(value, what, zero=True)
    if number != int(number):
        raise WaterError(f"{what} must be a whole number, found {number:g}")
    return int(number)


def left_over(level: float) -> float:
    """Give what a level of confidence leaves over; WaterError unless it is between 0 and 1."""
    if not 0.0 < level < 1.0:
        raise WaterError(f"a level of confidence lies between 0 and 1, found {level:g}")
    return 1.0 - level


def poisson_interval(count: float, *, level: float = 0.95) -> tuple[float, float]:
    """Give the exact two-sided interval of the mean behind a count: Garwood, Biometrika 28 (1936).

    Half chi-square quantiles with 2n and 2n + 2 degrees of freedom; 0 gives (0, 3.689) at 95 %.
    """
    n, half = _count(count, "the count"), left_over(level) / 2.0
    low = 0.0 if n == 0 else gamma_quantile(half, float(n))
    return low, gamma_quantile(1.0 - half, n + 1.0)


def poisson_upper(count: float, *, level: float = 0.95) -> float:
    """Give the one-sided upper bound of the mean behind a count: 2.996 for zero at 95 %."""
    return gamma_quantile(1.0 - left_over(level), _count(count, "the count") + 1.0)


@dataclass(frozen=True, slots=True)
class RateRatio:
    """How two counting rates compare."""

    value: float
    """First rate over second; infinite when the second count is zero, NaN when both are."""
    low: float
    high: float
    p_value: float
    """Two-sided, of equal rates."""


def rate_ratio(
    count_a: float, exposure_a: float, count_b: float, exposure_b: float, *, level: float = 0.95
) -> RateRatio:
    """Compare two Poisson rates exactly: Przyborowski & Wilenski, Biometrika 31 (1940) 313.

    Given the total, the first count is binomial; its Clopper-Pearson interval gives that of the
    ratio. Exposure is what was looked at (fields, mL), both in one unit, above zero. The p value
    is twice the smaller tail, at most 1.
    """
    a, b = _count(count_a, "the first count"), _count(count_b, "the second count")
    looked_a = positive(exposure_a, "the first exposure")
    looked_b = positive(exposure_b, "the second exposure")
    total, share = a + b, looked_a / (looked_a + looked_b)
    if total == 0:
        return RateRatio(math.nan, 0.0, math.inf, 1.0)
    half = left_over(level) / 2.0
    low = 0.0 if a == 0 else beta_quantile(half, float(a), b + 1.0)
    high = 1.0 if b == 0 else beta_quantile(1.0 - half, a + 1.0, float(b))
    scale = looked_b / looked_a
    tail = min(binomial_tail(a, total, share), binomial_tail(b, total, 1.0 - share))
    return RateRatio(
        scale * a / b if b else math.inf,
        scale * low / (1.0 - low),
        scale * high / (1.0 - high) if high < 1.0 else math.inf,
        min(1.0, 2.0 * tail),
    )


def critical_level(blank_count: float, *, level: float = 0.95) -> float:
    """Give Currie's L_C: a net count above it is more than the blank; 2.33 sqrt(B) at 95 %.

    Currie, Anal. Chem. 40 (1968) 586, paired blank, one-sided; his rounded 2.33 at 95 %.
    """
    blank = positive(blank_count, "the blank's count", zero=True)
    return _currie(level)[0] * math.sqrt(blank)


def detection_limit(blank_count: float, *, level: float = 0.95) -> float:
    """Give Currie's L_D: the net count found for sure; 2.71 + 4.65 sqrt(B) at 95 %."""
    blank = positive(blank_count, "the blank's count", zero=True)
    _, constant, slope = _currie(level)
    return constant + slope * math.sqrt(blank)


def _currie(level: float) -> tuple[float, float, float]:
    """Give z sqrt(2), z² and 2 z sqrt(2), at 95 % as Currie rounded them."""
    if level == 0.95:
        return 2.33, 2.71, 4.65
    z = normal_quantile(1.0 - left_over(level))
    return z * math.sqrt(2.0), z**2, 2.0 * z * math.sqrt(2.0)
