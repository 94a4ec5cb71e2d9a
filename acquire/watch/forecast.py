"""How long the filter still lasts: an interval, or why nothing can be said.

The margin to the limit (a logarithm, zero at the limit) is fitted as a + b (v/V)^p + c (T - Tm)
over the litres v since the change, for several shapes p from slowing down to running away. Each
shape counts by how well it fits; the interval holds what all of them say together, what the
scatter leaves open, and how much the temperature and the use may vary. (Bayesian averaging over
models with conjugate normal priors; the shapes and priors are ours.) Whether there is a trend at
all is asked of Theil-Sen and Mann-Kendall first.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import mean, median, pstdev

from acquire.stats.trend import theil_sen
from acquire.watch.performance import PASSAGE_PER_C

__all__ = ["Day", "Forecast", "forecast"]

LEAST_DAYS = 14
_POINTS = 120
_SAMPLES = 600
_SHAPES = (0.6, 1.0, 1.4, 2.0, 2.8, 4.0, 6.0)
_PRIOR_C = (PASSAGE_PER_C, 0.008)
_SHARED = 4.0
"""How many days next to each other tell as much as one."""
_RECENT = 6
_ANCHOR = 0.8
_LEVEL_U = 0.045
"""What the margin itself may be wrong by: feed, probe, the draws of these days."""
_SEASON = 0.5
_SHAPE_U = 0.15
"""Relative, of what is left: laws that no shape here follows."""
_FAR = 8.0
"""An interval that ends later than so many times what was seen is no forecast."""


@dataclass(frozen=True, slots=True)
class Day:
    """One day with settled draws."""

    day: float
    """Days since the change."""
    litres: float
    """Since the change; the same as `day` where no flow is known."""
    margin: float
    """Median of the day's draws: logarithm over the limit, negative below it."""
    temp_c: float


@dataclass(frozen=True, slots=True)
class Forecast:
    """From now until the limit. Without numbers `refusal` says why there are none."""

    days: float | None = None
    low_days: float | None = None
    high_days: float | None = None
    litres: float | None = None
    low_litres: float | None = None
    high_litres: float | None = None
    level: float = 0.9
    trend_a_day: float | None = None
    """Theil-Sen slope of the margin: fraction a day."""
    refusal: str = ""


def forecast(days: Sequence[Day], *, level: float = 0.9) -> Forecast:
    """Forecast from days in order, oldest first, since the baseline was learnt."""
    if len(days) < LEAST_DAYS:
        return Forecast(
            level=level,
            refusal=f"too little is known: {len(days)} days with settled draws, "
            f"{LEAST_DAYS} are needed",
        )
    if days[-1].margin >= 0 and median(day.margin for day in days[-5:]) >= 0:
        return Forecast(level=level, refusal="the limit is reached")
    thin = _thinned(days)
    trend = theil_sen(
        [day.day for day in thin], [day.margin - PASSAGE_PER_C * day.temp_c for day in thin]
    )
    if trend.p_value > 0.01 or trend.slope <= 0:
        return Forecast(level=level, trend_a_day=trend.slope, refusal="there is no trend yet")
    ends = sorted(_samples(thin))
    tail = (1.0 - level) / 2.0
    low, middle, high = (ends[int(p * (len(ends) - 1))] for p in (tail, 0.5, 1.0 - tail))
    now = days[-1]
    if not math.isfinite(high) or high > _FAR * now.litres:
        return Forecast(
            level=level,
            trend_a_day=trend.slope,
            refusal="the trend is too small yet to say when it ends",
        )
    pace = _pace(days)
    spread = 1.0 + 1.5 * _pace_spread(days)
    return Forecast(
        days=middle / pace,
        low_days=low / (pace * spread),
        high_days=high / pace * spread,
        litres=middle,
        low_litres=low,
        high_litres=high,
        level=level,
        trend_a_day=trend.slope,
    )


def _thinned(days: Sequence[Day]) -> list[Day]:
    """Give at most _POINTS days: medians of neighbours."""
    size = -(-len(days) // _POINTS)
    groups = [days[i : i + size] for i in range(0, len(days), size)]
    return [
        Day(
            mean(one.day for one in group),
            mean(one.litres for one in group),
            median(one.margin for one in group),
            mean(one.temp_c for one in group),
        )
        for group in groups
    ]


def _pace(days: Sequence[Day]) -> float:
    """Litres a day over the last month."""
    now = days[-1]
    since = next(day for day in days if day.day >= now.day - 30.0)
    if now.day - since.day < 7:
        since = days[0]
    return max(1e-9, (now.litres - since.litres) / max(1e-9, now.day - since.day))


def _pace_spread(days: Sequence[Day]) -> float:
    """Relative deviation of the use from fortnight to fortnight."""
    paces = []
    last = days[0]
    for day in days:
        if day.day - last.day >= 14:
            paces.append((day.litres - last.litres) / (day.day - last.day))
            last = day
    if len(paces) < 3:
        return 0.1
    return pstdev(paces) / max(1e-9, mean(paces)) / math.sqrt(3.0)


def _samples(days: Sequence[Day]) -> list[float]:
    """Draw litres left from the mixture of shapes."""
    chance = random.Random(1)  # noqa: S311 - the same data give the same forecast
    scale = days[-1].litres
    middle = mean(day.temp_c for day in days)
    warm = [day.temp_c - middle for day in days]
    recent = mean(warm[-max(3, len(warm) // 6) :])
    season = max(1.0, pstdev(warm))
    fits = [_Fit(days, warm, scale, shape) for shape in _SHAPES]
    noise = min(fit.noise for fit in fits)
    least = min(fit.squares for fit in fits)
    # Days next to each other share what is wrong with them: they count for a part.
    weights = [math.exp(-(fit.squares - least) / (2.0 * _SHARED * noise)) for fit in fits]
    ends = []
    for fit in chance.choices(fits, weights, k=_SAMPLES):
        a, b, c = fit.sample(chance, noise)
        # No shape is the truth: near its end the filter goes on from where it stands.
        here = chance.gauss(_ANCHOR * fit.recent, _LEVEL_U)
        target = -(a + here + c * chance.gauss(recent, season * _SEASON))
        if b <= 0:
            ends.append(math.inf)
            continue
        left = max(0.0, scale * (max(target, 0.0) / b) ** (1.0 / fit.shape) - scale)
        ends.append(left * math.exp(chance.gauss(0.0, _SHAPE_U)))
    return ends


class _Fit:
    """Least squares of one shape with a prior on the temperature's coefficient."""

    def __init__(
        self, days: Sequence[Day], warm: Sequence[float], scale: float, shape: float
    ) -> None:
        self.shape = shape
        rows = [(1.0, (day.litres / scale) ** shape, t) for day, t in zip(days, warm, strict=True)]
        noise = 0.02**2
        for _ in range(2):  # the prior weighs by the noise, which the fit tells
            ridge = noise / _PRIOR_C[1] ** 2
            self._normal = [
                [math.fsum(r[i] * r[j] for r in rows) for j in range(3)] for i in range(3)
            ]
            self._normal[2][2] += ridge
            right = [
                math.fsum(r[i] * day.margin for r, day in zip(rows, days, strict=True))
                for i in range(3)
            ]
            right[2] += ridge * _PRIOR_C[0]
            self._lower = _cholesky(self._normal)
            self._mean = _solve(self._lower, right)
            left = [
                day.margin - math.fsum(x * m for x, m in zip(r, self._mean, strict=True))
                for r, day in zip(rows, days, strict=True)
            ]
            self.squares = math.fsum(one * one for one in left)
            noise = max(1e-6, self.squares / max(1, len(days) - 3))
        self.recent = mean(left[-_RECENT:])
        self.noise = noise

    def sample(self, chance: random.Random, noise: float) -> list[float]:
        """Draw coefficients; the scatter counts more, as days are no independent witnesses."""
        z = [chance.gauss(0.0, math.sqrt(_SHARED * noise)) for _ in range(3)]
        lower = self._lower
        x = [0.0, 0.0, 0.0]
        for i in (2, 1, 0):  # L' x = z
            x[i] = (z[i] - sum(lower[j][i] * x[j] for j in range(i + 1, 3))) / lower[i][i]
        return [m + d for m, d in zip(self._mean, x, strict=True)]


def _cholesky(a: list[list[float]]) -> list[list[float]]:
    lower = [[0.0] * 3 for _ in range(3)]
    for i in range(3):
        for j in range(i + 1):
            rest = a[i][j] - sum(lower[i][k] * lower[j][k] for k in range(j))
            lower[i][j] = math.sqrt(max(rest, 1e-12)) if i == j else rest / lower[j][j]
    return lower


def _solve(lower: list[list[float]], right: list[float]) -> list[float]:
    y = [0.0, 0.0, 0.0]
    for i in range(3):
        y[i] = (right[i] - sum(lower[i][k] * y[k] for k in range(i))) / lower[i][i]
    x = [0.0, 0.0, 0.0]
    for i in (2, 1, 0):
        x[i] = (y[i] - sum(lower[k][i] * x[k] for k in range(i + 1, 3))) / lower[i][i]
    return x
