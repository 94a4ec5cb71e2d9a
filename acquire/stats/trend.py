"""Trends that survive outliers: Theil-Sen slope with its interval, Mann-Kendall test."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from acquire.errors import WaterError
from acquire.stats.quantiles import normal_cdf, normal_quantile
from acquire.water.inputs import finite

__all__ = ["LATEST", "MOST_POINTS", "Trend", "theil_sen"]

MOST_POINTS = 1500
"""Every pair of points is looked at: beyond this many, thin the series first."""
LATEST = 400
"""So many of the latest points of a long record tell where it goes: a year of daily ones, and
80,000 pairs, which nobody waits for (judgement)."""


@dataclass(frozen=True, slots=True)
class Trend:
    """A straight line through most of the points."""

    slope: float
    """Median of the slopes of all pairs: value per unit of x."""
    low: float
    high: float
    """Interval of the slope; infinite with too few points to bound it."""
    intercept: float
    """median(y) - slope median(x)."""
    p_value: float
    """Two-sided Mann-Kendall test of no trend, normal approximation with correction for ties."""


def theil_sen(x: Sequence[float], y: Sequence[float], *, level: float = 0.95) -> Trend:
    """Fit a line by Theil 1950 and Sen, J. Am. Stat. Assoc. 63 (1968) 1379, with Sen's interval.

    Needs three points of at least two different x; up to 1500. Half the points may be wrong before
    the slope is (29 % for certain). The interval is the normal approximation, good from ten points.
    """
    xs = [finite(value, "an x of the trend") for value in x]
    ys = [finite(value, "a y of the trend") for value in y]
    if len(xs) != len(ys):
        raise WaterError(f"a trend needs as many y as x, found {len(ys)} and {len(xs)}")
    if not 3 <= len(xs) <= MOST_POINTS:
        raise WaterError(f"a trend needs 3 to {MOST_POINTS} points, found {len(xs)}")
    if not 0.0 < level < 1.0:
        raise WaterError(f"a level of confidence lies between 0 and 1, found {level:g}")
    slopes = sorted(
        (ys[j] - ys[i]) / (xs[j] - xs[i])
        for j in range(len(xs))
        for i in range(j)
        if xs[j] != xs[i]
    )
    if not slopes:
        raise WaterError("a trend needs at least two different x")
    slope = median(slopes)
    sigma = _kendall_sigma(xs, ys)
    low, high = _interval(slopes, sigma, level)
    return Trend(slope, low, high, median(ys) - slope * median(xs), _p_value(slopes, sigma))


def _kendall_sigma(xs: Sequence[float], ys: Sequence[float]) -> float:
    """Standard deviation of Kendall's S, ties counted: Sen 1968, equation 2.6."""
    n = len(xs)
    total = n * (n - 1) * (2 * n + 5)
    for values in (xs, ys):
        total -= sum(k * (k - 1) * (2 * k + 5) for k in Counter(values).values())
    return math.sqrt(max(0.0, total / 18.0))


def _interval(slopes: Sequence[float], sigma: float, level: float) -> tuple[float, float]:
    reach = normal_quantile(0.5 + level / 2.0) * sigma
    count = len(slopes)
    upper = round((count + reach) / 2.0)
    lower = round((count - reach) / 2.0) - 1
    low = slopes[lower] if lower >= 0 else -math.inf
    high = slopes[upper] if upper < count else math.inf
    return low, high


def _p_value(slopes: Sequence[float], sigma: float) -> float:
    s = sum((slope > 0) - (slope < 0) for slope in slopes)
    if sigma == 0 or s == 0:
        return 1.0
    z = (abs(s) - 1.0) / sigma
    return min(1.0, 2.0 * (1.0 - normal_cdf(z)))
