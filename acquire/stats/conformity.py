"""Inside, outside, or cannot tell: a value with its uncertainty against limits.

JCGM 106:2012, guarded acceptance and guarded rejection: between the guard bands nothing is said.
The guard band is the expanded uncertainty, so a verdict is wrong in at most 2.5 % of cases.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from acquire.errors import WaterError
from acquire.stats.quantiles import normal_cdf
from acquire.water.inputs import finite, positive

__all__ = ["CheckResult", "Conformity", "compare_with_expected", "conformity"]

Place = Literal["inside", "outside", "cannot tell"]


@dataclass(frozen=True, slots=True)
class Conformity:
    """The verdict, the arithmetic behind it, and the probability of being inside."""

    place: Place
    probability: float
    """Probability that the true value is within the limits, the error taken as normal."""
    reason: str


def conformity(
    value: float | None,
    expanded_u: float | None,
    *,
    lower: float | None = None,
    upper: float | None = None,
    k: float = 2.0,
) -> Conformity:
    """Say where a value stands to its limits (both ends belong to the inside), JCGM 106 clause 8.3.

    At least one limit is needed, all in the unit of the value; `expanded_u` is the guard band,
    `k` the coverage factor behind it.
    """
    number = finite(value, "the value")
    guard = positive(expanded_u, "the expanded uncertainty", zero=True)
    low = -math.inf if lower is None else finite(lower, "the lower limit")
    high = math.inf if upper is None else finite(upper, "the upper limit")
    if lower is None and upper is None:
        raise WaterError("at least one limit is needed")
    if low > high:
        raise WaterError(f"the lower limit {low:g} is above the upper limit {high:g}")
    said = f"{number:g} ± {guard:g} against {_limits(lower, upper)}"
    inside = _probability_inside(number, guard / positive(k, "k"), low, high)
    if low + guard <= number <= high - guard:
        return Conformity("inside", inside, f"{said}: inside by more than its uncertainty")
    if number < low - guard or number > high + guard:
        return Conformity("outside", inside, f"{said}: outside by more than its uncertainty")
    return Conformity("cannot tell", inside, f"{said}: closer to the limit than its uncertainty")


def _limits(lower: float | None, upper: float | None) -> str:
    if lower is None:
        return f"at most {upper:g}"
    return f"at least {lower:g}" if upper is None else f"{lower:g} to {upper:g}"


def _probability_inside(value: float, u: float, low: float, high: float) -> float:
    if u == 0:
        return 1.0 if low <= value <= high else 0.0
    return normal_cdf((high - value) / u) - normal_cdf((low - value) / u)


Verdict = Literal["pass", "fail", "cannot tell"]


@dataclass(frozen=True, slots=True)
class CheckResult:
    """A meter's reading of a known solution: the verdict, the bias and the arithmetic."""

    verdict: Verdict
    bias: float
    """Said less expected, in the unit of both."""
    allowed: float
    """The ± the meter is allowed."""
    expanded_u: float
    """Expanded uncertainty of the bias: settling and solution together."""
    reason: str


def compare_with_expected(
    said: float | None,
    said_u: float | None,
    expected: float | None,
    expected_u: float | None,
    *,
    allowed: float | None,
    unit: str = "",
) -> CheckResult:
    """Judge a check: pass, fail or cannot tell.

    `said_u` and `expected_u` are expanded (95 %) uncertainties of the settled value and of the
    solution at the measured temperature, `allowed` the ± the meter is held to. Pass when the bias
    is within `allowed` by more than their combined uncertainty, fail when it is outside by more.
    """
    bias = finite(said, "the reading") - finite(expected, "the expected value")
    limit = positive(allowed, "the allowed error", zero=True)
    combined = math.hypot(
        positive(said_u, "the uncertainty of the reading", zero=True),
        positive(expected_u, "the uncertainty of the solution", zero=True),
    )
    found = conformity(bias, combined, lower=-limit, upper=limit)
    verdict: Verdict = {"inside": "pass", "outside": "fail"}.get(found.place, "cannot tell")  # type: ignore[assignment]
    tail = f" {unit}" if unit else ""
    reason = (
        f"said {said:g}, expected {expected:g}{tail}: off by {bias:+.3g} ± {combined:.2g}, "
        f"allowed ±{limit:g}"
    )
    if verdict == "cannot tell" and combined > limit:
        reason += "; the solution and the reading are less sure than what is allowed"
    return CheckResult(verdict, bias, limit, combined, reason)
