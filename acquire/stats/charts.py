"""Control charts: has a process (a probe, a solution, a filter) moved?

NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2. Pure functions over a sequence in
the order of time, in the unit of the values.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

from acquire.errors import WaterError
from acquire.stats.quantiles import normal_cdf
from acquire.water.inputs import finite, positive

__all__ = [
    "Cusum",
    "Individuals",
    "ShewhartConstants",
    "cusum",
    "ewma",
    "ewma_limits",
    "individuals",
    "shewhart_constants",
]


def _series(values: Iterable[float], least: int) -> list[float]:
    numbers = [finite(value, "a value of the chart") for value in values]
    if len(numbers) < least:
        raise WaterError(f"a chart needs at least {least} values, found {len(numbers)}")
    return numbers


@dataclass(frozen=True, slots=True)
class Individuals:
    """A chart of single values: its middle, its limits, and which values lie outside."""

    mean: float
    mean_range: float
    """Mean of the moving ranges."""
    sigma: float
    lower: float
    upper: float
    outside: tuple[int, ...]
    """Places (from 0) of values beyond the limits."""


def individuals(values: Iterable[float], *, sigmas: float = 3.0) -> Individuals:
    """Chart individual values: mean ± 3 MRbar/1.128 (2.66 MRbar), e-Handbook 6.3.2.2.

    Needs two values to say anything and some twenty to be trusted (common practice).
    """
    x = _series(values, 2)
    mean = math.fsum(x) / len(x)
    mean_range = math.fsum(abs(b - a) for a, b in itertools.pairwise(x)) / (len(x) - 1)
    # d2 as the handbook rounds it: its limits are what people compare with.
    sigma = mean_range / 1.128
    low, high = mean - sigmas * sigma, mean + sigmas * sigma
    outside = tuple(i for i, value in enumerate(x) if not low <= value <= high)
    return Individuals(mean, mean_range, sigma, low, high, outside)


def ewma(values: Iterable[float], *, weight: float, start: float) -> list[float]:
    """Give the exponentially weighted moving average after each value: e-Handbook 6.3.2.4.

    z = weight x + (1 - weight) z, from `start`; 0 < weight <= 1, usually 0.1 to 0.3.
    """
    share = _weight(weight)
    averages: list[float] = []
    level = finite(start, "the start of the average")
    for value in _series(values, 1):
        level = share * value + (1.0 - share) * level
        averages.append(level)
    return averages


def ewma_limits(
    *, centre: float, sigma: float, weight: float, width: float = 3.0, after: int | None = None
) -> tuple[float, float]:
    """Give (lower, upper) limits of the average: centre ± width sigma sqrt(weight/(2 - weight)).

    Asymptotic, or exact `after` so many values (narrower at the start). e-Handbook 6.3.2.4.
    """
    share = _weight(weight)
    spread = share / (2.0 - share)
    if after is not None:
        spread *= 1.0 - (1.0 - share) ** (2 * int(positive(after, "the number of values")))
    half = positive(width, "the width") * positive(sigma, "sigma") * math.sqrt(spread)
    return centre - half, centre + half


def _weight(weight: float) -> float:
    if not 0.0 < weight <= 1.0:
        raise WaterError(f"the weight lies above 0 and at most 1, found {weight:g}")
    return weight


@dataclass(frozen=True, slots=True)
class Cusum:
    """Both one-sided sums after each value, and the first signal (from 0), if any."""

    high: tuple[float, ...]
    low: tuple[float, ...]
    first_signal: int | None

    @property
    def signals(self) -> bool:
        return self.first_signal is not None


def cusum(
    values: Iterable[float], *, target: float, slack: float, decision: float | None = None
) -> Cusum:
    """Run the tabular CUSUM: e-Handbook 6.3.2.3; Montgomery, Statistical Quality Control.

    S_H = max(0, S_H + x - target - K), S_L = max(0, S_L + target - K - x); `slack` is K (half the
    shift sought), `decision` H (4 or 5 sigma): a sum above H signals. All in the values' unit.
    """
    k = positive(slack, "the slack K", zero=True)
    h = math.inf if decision is None else positive(decision, "the decision interval H")
    goal = finite(target, "the target")
    high, low = [0.0], [0.0]
    for value in _series(values, 1):
        high.append(max(0.0, high[-1] + value - goal - k))
        low.append(max(0.0, low[-1] + goal - k - value))
    first = next(
        (i for i, pair in enumerate(zip(high[1:], low[1:], strict=True)) if max(pair) > h), None
    )
    return Cusum(tuple(high[1:]), tuple(low[1:]), first)


@dataclass(frozen=True, slots=True)
class ShewhartConstants:
    """Constants of charts of samples of n from a normal process."""

    d2: float
    d3: float
    c4: float
    a2: float
    d4: float
    lower_d3: float
    """D3, the lower limit of the range chart; 0 for small samples."""


@lru_cache(maxsize=32)
def shewhart_constants(n: int) -> ShewhartConstants:
    """Give d2, d3, c4, A2, D4, D3 for samples of n (2 to 25): by their definitions.

    c4 from the gamma function; d2 and d3, mean and deviation of the range of n normals, by
    quadrature (Tippett, Biometrika 17 (1925) 364).
    """
    if not 2 <= n <= 25:
        raise WaterError(f"chart constants are given for samples of 2 to 25, found {n}")
    c4 = math.sqrt(2.0 / (n - 1)) * math.exp(math.lgamma(n / 2) - math.lgamma((n - 1) / 2))
    d2, square = _range_moments(n)
    d3 = math.sqrt(square - d2**2)
    a2 = 3.0 / (d2 * math.sqrt(n))
    return ShewhartConstants(d2, d3, c4, a2, 1 + 3 * d3 / d2, max(0.0, 1 - 3 * d3 / d2))


def _range_moments(n: int) -> tuple[float, float]:
    """Mean and mean square of the range of n standard normals, Simpson over 0 to 14."""
    steps, end = 280, 14.0
    width = end / steps

    def survives(w: float) -> float:
        return 1.0 - _range_cdf(w, n)

    grid: Sequence[float] = [i * width for i in range(steps + 1)]
    tail = [
        (1.0 if i in {0, steps} else 4.0 if i % 2 else 2.0) * survives(w)
        for i, w in enumerate(grid)
    ]
    mean = width / 3.0 * math.fsum(tail)
    square = width / 3.0 * math.fsum(2.0 * w * s for w, s in zip(grid, tail, strict=True))
    return mean, square


def _range_cdf(w: float, n: int) -> float:
    """P(range <= w) = n integral of phi(x) (Phi(x + w) - Phi(x))^(n-1) dx."""
    width = 0.1
    total = 0.0
    for i in range(-80, 81):
        x = i * width
        density = math.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi)
        total += density * (normal_cdf(x + w) - normal_cdf(x)) ** (n - 1)
    return min(1.0, n * width * total)
