"""Two values side by side: duplicates, differences, ratios."""

from __future__ import annotations

import math
from dataclasses import dataclass

from acquire.errors import WaterError
from acquire.stats.quantiles import normal_quantile
from acquire.water.inputs import finite, positive

__all__ = ["Ratio", "difference_of", "duplicate_sd", "fieller", "rpd_percent"]


def rpd_percent(a: float | None, b: float | None) -> float:
    """Give the relative percent difference 200 |a - b| / (a + b) of two values above zero or zero.

    As in USGS data releases (below 10 % acceptable there). Means nothing on pH, which is a
    logarithm, nor on ORP or temperature, whose zero is a convention: use `difference_of`.
    """
    first = positive(a, "the first value", zero=True)
    second = positive(b, "the second value", zero=True)
    if first + second == 0:
        raise WaterError("the relative difference of two zeros is not defined")
    return 200.0 * abs(first - second) / (first + second)


def difference_of(a: float | None, b: float | None) -> float:
    """Give |a - b|, in the unit of both: what to use for pH, ORP and temperature."""
    return abs(finite(a, "the first value") - finite(b, "the second value"))


def duplicate_sd(a: float | None, b: float | None) -> float:
    """Give the standard deviation of one measurement from a pair: |a - b| / sqrt(2)."""
    return difference_of(a, b) / math.sqrt(2.0)


@dataclass(frozen=True, slots=True)
class Ratio:
    """A ratio a/b with its interval, which need not be finite."""

    value: float
    low: float
    high: float
    bounded: bool
    """False: b cannot be told from zero at this level, no finite interval exists."""
    reason: str = ""


def fieller(
    a: float,
    u_a: float,
    b: float,
    u_b: float,
    *,
    covariance: float = 0.0,
    level: float = 0.95,
    z: float | None = None,
) -> Ratio:
    """Give the interval of a/b for a and b with standard uncertainties: Fieller 1954.

    Every ratio r with |a - r b| <= z sqrt(u_a² - 2 r cov + r² u_b²). When (z u_b / b)² >= 1 that
    set is unbounded, from minus to plus infinity or the outside of a gap, and is reported as such.
    z is the normal quantile of the two-sided `level` unless given. WaterError for b = 0 and for a
    `covariance` that is none of these two.
    """
    first, second = finite(a, "the numerator"), finite(b, "the denominator")
    var_a = positive(u_a, "the uncertainty of the numerator", zero=True) ** 2
    var_b = positive(u_b, "the uncertainty of the denominator", zero=True) ** 2
    if second == 0:
        raise WaterError("the denominator is zero: there is no ratio")
    quantile = normal_quantile(0.5 + level / 2.0) if z is None else positive(z, "z")
    g = quantile**2 * var_b / second**2
    value = first / second
    if g >= 1.0:
        reason = (
            f"the denominator {second:g} is not told from zero: "
            f"{quantile:.3g} times its uncertainty is {quantile * math.sqrt(var_b):.3g}"
        )
        return Ratio(value, -math.inf, math.inf, bounded=False, reason=reason)
    cov = finite(covariance, "the covariance")
    if cov**2 > var_a * var_b * (1.0 + 1e-9):
        raise WaterError(f"a covariance of {cov:g} does not go with these uncertainties")
    middle = value - quantile**2 * cov / second**2
    inner = var_a * (1.0 - g) + value**2 * var_b - 2.0 * value * cov
    inner += (quantile * cov / second) ** 2
    half = quantile / abs(second) * math.sqrt(max(0.0, inner))
    return Ratio(value, (middle - half) / (1.0 - g), (middle + half) / (1.0 - g), bounded=True)
