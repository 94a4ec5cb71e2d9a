"""Quantiles of the normal, chi-square, Student t and Poisson-related distributions.

Written here rather than imported: the well-kept library for them weighs some 110 MiB on disk and
tens of MiB in memory, which a small board under a sink should not carry for four functions. The
regularised incomplete gamma and beta functions are evaluated by the textbook series and continued
fractions (DLMF 8.7.1, 8.9.2, 8.17.22), quantiles by bisection; the tests hold all of it against
that library to 1e-9.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from statistics import NormalDist

from acquire.errors import WaterError

__all__ = [
    "beta_quantile",
    "binomial_tail",
    "chi2_quantile",
    "gamma_quantile",
    "normal_cdf",
    "normal_quantile",
    "regularised_beta",
    "regularised_gamma",
    "t_cdf",
    "t_quantile",
]

_TINY = 1e-300
_NORMAL = NormalDist()


def _probability(p: float, what: str = "a probability") -> float:
    if not 0.0 < p < 1.0:
        raise WaterError(f"{what} must lie between 0 and 1, both excluded, found {p:g}")
    return p


def normal_quantile(p: float) -> float:
    """Give z with P(Z <= z) = p for the standard normal, 0 < p < 1."""
    return _NORMAL.inv_cdf(_probability(p))


def normal_cdf(z: float) -> float:
    """Give P(Z <= z) for the standard normal."""
    return _NORMAL.cdf(z)


def regularised_gamma(a: float, x: float) -> float:
    """Give P(a, x), the lower regularised incomplete gamma function, a > 0, x >= 0."""
    if not (a > 0 and x >= 0):
        raise WaterError(f"the incomplete gamma function needs a > 0 and x >= 0, found {a}, {x}")
    if x == 0:
        return 0.0
    if math.isinf(x):
        return 1.0
    front = math.exp(a * math.log(x) - x - math.lgamma(a))
    if x < a + 1.0:  # DLMF 8.7.1
        term = total = 1.0 / a
        n = a
        while abs(term) > abs(total) * 1e-17:
            n += 1.0
            term *= x / n
            total += term
        return min(1.0, front * total)
    # DLMF 8.9.2, by Lentz's method
    fraction = _lentz(lambda i: (-i * (i - a), x + 2.0 * i + 1.0 - a), first=x + 1.0 - a)
    return max(0.0, 1.0 - front / fraction)


def regularised_beta(x: float, a: float, b: float) -> float:
    """Give I_x(a, b), the regularised incomplete beta function, 0 <= x <= 1, a, b > 0."""
    if not (0.0 <= x <= 1.0 and a > 0 and b > 0):
        raise WaterError(f"the incomplete beta function needs 0 <= x <= 1, a, b > 0; found {x}")
    if x in (0.0, 1.0):
        return x
    if x > (a + 1.0) / (a + b + 2.0):
        return 1.0 - regularised_beta(1.0 - x, b, a)
    front = math.exp(
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)
        + a * math.log(x) + b * math.log1p(-x)
    ) / a  # fmt: skip

    def coefficients(i: int) -> tuple[float, float]:  # DLMF 8.17.22
        m = i // 2
        if i % 2 == 0:
            return m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)), 1.0
        return -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)), 1.0

    return front / _lentz(coefficients, first=1.0)


def _lentz(coefficients: Callable[[int], tuple[float, float]], *, first: float) -> float:
    """Evaluate first + a1/(b1 + a2/(b2 + ...)) by the modified Lentz method."""
    value = first or _TINY
    c, d = value, 0.0
    for i in range(1, 100_000):
        a, b = coefficients(i)
        d = b + a * d or _TINY
        c = b + a / c or _TINY
        d = 1.0 / d
        step = c * d
        value *= step
        if abs(step - 1.0) < 1e-15:
            return value
    raise WaterError("the continued fraction did not converge: the arguments are too large")


def _solve(cdf: Callable[[float], float], p: float, low: float, high: float) -> float:
    """Find x with cdf(x) = p by bisection of a rising function, to the last bits."""
    while cdf(high) < p:
        low, high = high, 2.0 * high
    for _ in range(200):
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        low, high = (middle, high) if cdf(middle) < p else (low, middle)
    return 0.5 * (low + high)


@lru_cache(maxsize=256)
def gamma_quantile(p: float, shape: float) -> float:
    """Give x with P(shape, x) = p: the gamma distribution of unit scale, 0 < p < 1."""
    _probability(p)
    return _solve(lambda x: regularised_gamma(shape, x), p, 0.0, shape + 1.0)


def chi2_quantile(p: float, dof: float) -> float:
    """Give the p quantile of chi-square with `dof` > 0 degrees of freedom."""
    return 2.0 * gamma_quantile(p, dof / 2.0)


@lru_cache(maxsize=256)
def beta_quantile(p: float, a: float, b: float) -> float:
    """Give x with I_x(a, b) = p, 0 < p < 1, a, b > 0."""
    _probability(p)
    return _solve(lambda x: regularised_beta(min(x, 1.0), a, b), p, 0.0, 1.0)


def t_cdf(t: float, dof: float) -> float:
    """Give P(T <= t) of Student's t with `dof` > 0; infinite `dof` is the normal."""
    if not dof > 0:
        raise WaterError(f"Student's t needs degrees of freedom above zero, found {dof}")
    if math.isinf(dof):
        return normal_cdf(t)
    tail = 0.5 * regularised_beta(dof / (dof + t * t), dof / 2.0, 0.5)
    return 1.0 - tail if t > 0 else tail


@lru_cache(maxsize=4096)
def t_quantile(p: float, dof: float) -> float:
    """Give the p quantile of Student's t, `dof` > 0, 0 < p < 1; infinite `dof` is the normal."""
    _probability(p)
    if math.isinf(dof) or dof > 1e7:
        return normal_quantile(p)
    if p == 0.5:
        return 0.0
    upper = max(p, 1.0 - p)
    value = _t_upper(upper, dof)
    return value if p > 0.5 else -value


def _t_upper(p: float, dof: float) -> float:
    """Solve for p > 0.5 by Newton's steps, kept within what is known: a history asks for many."""
    low, high = 0.0, 2.0
    while t_cdf(high, dof) < p:
        low, high = high, 2.0 * high
    scale = math.exp(math.lgamma((dof + 1.0) / 2.0) - math.lgamma(dof / 2.0))
    scale /= math.sqrt(dof * math.pi)
    t = min(max(normal_quantile(p), low), high)
    for _ in range(30):
        over = t_cdf(t, dof) - p
        low, high = (low, t) if over > 0 else (t, high)
        step = over / (scale * (1.0 + t * t / dof) ** (-0.5 * (dof + 1.0)))
        t, before = t - step, t
        if not low <= t <= high:
            t = 0.5 * (low + high)
        if abs(t - before) <= 1e-14 * t:  # the cdf itself is no surer
            return t
    return _solve(lambda t: t_cdf(t, dof), p, low, high)


def binomial_tail(successes: int, trials: int, p: float) -> float:
    """Give P(X >= successes) of a binomial with `trials` and probability 0 <= p <= 1."""
    if successes <= 0:
        return 1.0
    if successes > trials:
        return 0.0
    return regularised_beta(p, successes, trials - successes + 1)
