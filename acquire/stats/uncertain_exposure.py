"""Poisson counts whose exposure (the volume looked at) is itself uncertain.

The exact tails of the count are averaged over the exposure, and the interval is where the averaged
tail is half of what is left over: Cousins & Highland, Nucl. Instrum. Methods A 320 (1992) 331, for
both ends. The exposure is taken as log-normal about its nominal value. Without an uncertainty this
is the exact interval of `acquire.stats.counts`, and it holds for a count of zero too.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

from acquire.errors import WaterError
from acquire.stats.counts import RateRatio, left_over
from acquire.stats.quantiles import binomial_tail, regularised_gamma
from acquire.water.inputs import positive

__all__ = ["mean_interval", "mean_upper", "ratio_of_rates"]

_REACH = 6.0
"""Standard deviations of the exposure on either side that are averaged over."""
_WIDEST, _NARROWEST = 0.75, 0.04
"""Steps of the trapezoid, in standard deviations of the exposure. A smooth function times a normal
is good to 1e-9 with the widest; what many particles give is nearly a step, and needs the narrower.
The narrowest leaves the ends within a fiftieth of that standard deviation, for any count."""
_MOST = 10_000_000


def mean_interval(
    count: int, *, relative_u: float = 0.0, level: float = 0.95
) -> tuple[float, float]:
    """Give the two-sided interval of the mean count at the nominal exposure.

    `count` is 0 or more, `relative_u` the relative standard uncertainty of the exposure, 0 to 1.
    """
    n, sigma, half = _whole(count), _sigma(relative_u), left_over(level) / 2.0
    low = 0.0
    if n:
        own = 1.0 / math.sqrt(n)
        low = _solve(lambda mean: _over(lambda m: regularised_gamma(n, m), mean, sigma, own), half)
    return low, _upper(n, sigma, half)


def mean_upper(count: int, *, relative_u: float = 0.0, level: float = 0.95) -> float:
    """Give the one-sided upper bound of the mean count; 2.996 for zero and a sure exposure."""
    return _upper(_whole(count), _sigma(relative_u), left_over(level))


def ratio_of_rates(
    count_a: int,
    exposure_a: float,
    count_b: int,
    exposure_b: float,
    *,
    relative_u: float = 0.0,
    level: float = 0.95,
) -> RateRatio:
    """Compare two rates, a over b, with the conditional test of `acquire.stats.counts.rate_ratio`.

    `relative_u` is the relative standard uncertainty of the ratio of the exposures; the binomial
    tails are averaged over it. Exposures in one unit, above zero.
    """
    a, b = _whole(count_a), _whole(count_b)
    nominal = positive(exposure_a, "the first exposure") / positive(exposure_b, "the second")
    sigma, half, total = _sigma(relative_u), left_over(level) / 2.0, a + b
    if total == 0:
        return RateRatio(math.nan, 0.0, math.inf, 1.0)

    own = math.sqrt(1.0 / (a + 1.0) + 1.0 / (b + 1.0))

    def at_least(ratio: float) -> float:
        return _over(lambda r: binomial_tail(a, total, r / (1.0 + r)), ratio * nominal, sigma, own)

    def at_most(ratio: float) -> float:
        return _over(lambda r: binomial_tail(b, total, 1 / (1.0 + r)), ratio * nominal, sigma, own)

    low = _solve(at_least, half) if a else 0.0
    high = _solve(lambda ratio: 1.0 - at_most(ratio), 1.0 - half) if b else math.inf
    return RateRatio(
        a / b / nominal if b else math.inf,
        low,
        high,
        min(1.0, 2.0 * min(at_least(1.0), at_most(1.0))),
    )


def _upper(n: int, sigma: float, left: float) -> float:
    own = 1.0 / math.sqrt(n + 1.0)
    return _solve(
        lambda mean: _over(lambda m: regularised_gamma(n + 1, m), mean, sigma, own), 1.0 - left
    )


def _over(tail: Callable[[float], float], middle: float, sigma: float, own: float) -> float:
    """Average a tail over the exposure; `own` is how wide the tail itself is, in ln of it."""
    if sigma == 0.0:
        return tail(middle)
    parts = _nodes(_step(own / sigma))
    return math.fsum(w * tail(middle * math.exp(sigma * z)) for z, w in parts)


def _step(own: float) -> float:
    """How fine to look at a normal times a tail that is `own` standard deviations wide.

    The product is as wide as own/sqrt(1 + own²); a trapezoid of 0.75 of that errs by
    exp(-2 (pi/0.75)²), below 1e-15. Halved from the widest, so that few grids are ever made.
    """
    wanted = max(_NARROWEST, _WIDEST * own / math.hypot(1.0, own))
    halvings = math.ceil(math.log2(_WIDEST / wanted) - 1e-9)
    return max(_NARROWEST, _WIDEST / 2.0**halvings)


@lru_cache(maxsize=16)
def _nodes(step: float) -> tuple[tuple[float, float], ...]:
    """Places, in standard deviations, and their weights, which add up to one."""
    half = math.ceil(_REACH / step)
    raw = [(i * step, math.exp(-0.5 * (i * step) ** 2)) for i in range(-half, half + 1)]
    total = math.fsum(w for _, w in raw)
    return tuple((z, w / total) for z, w in raw)


def _solve(rising: Callable[[float], float], goal: float) -> float:
    """Find where a rising function of a number above zero reaches the goal, to 1e-9 of it."""
    low, high = 0.0, 1.0
    while rising(high) < goal:
        low, high = high, 2.0 * high
    while high - low > 1e-9 * high and high > 1e-12:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if rising(middle) < goal else (low, middle)
    return 0.5 * (low + high)


def _whole(count: float) -> int:
    number = positive(count, "the count", zero=True)
    if number != int(number) or number > _MOST:
        raise WaterError(f"a count is a whole number up to {_MOST}, found {number:g}")
    return int(number)


def _sigma(relative_u: float) -> float:
    u = positive(relative_u, "the relative uncertainty of the exposure", zero=True)
    if u > 1.0:
        raise WaterError(f"an exposure known to {100 * u:.0f} % is not known: at most 100 %")
    return math.sqrt(math.log1p(u * u))
