"""What correction a check, or two, ask for. Pure; putting it in force is a person's decision."""

from __future__ import annotations

import math
from collections.abc import Sequence

from acquire.checks import Anchor, Check, StandingCorrection
from acquire.errors import WaterError
from acquire.stats.budget import GAIN_PIVOT
from acquire.water.corrections import from_one_check, from_two_checks

__all__ = ["propose"]

_APART = 10.0  # expected values, in uncertainties: nearer, the gain is mostly noise
_PH_APART = 1.0  # as for an electrode's slope


def propose(checks: Sequence[Check], *, now_ms: int) -> StandingCorrection:
    """Give the correction one or two checks of one meter and quantity ask for, from `now_ms` on.

    One check gives an offset. Conductivity is the exception: a cell errs in proportion (its cell
    constant, USGS NFM A6.3 section 3), so one check and the zero of a dry cell give a gain; an
    offset taken from a standard would make pure water nonsense. Two checks give the line through
    both, for pH about pH 7.

    Raises:
        WaterError: the checks do not belong together, are too close, found no error worth
            correcting, or one was another solution.

    """
    if not 1 <= len(checks) <= 2:
        raise WaterError(f"a correction is made from one check or two, found {len(checks)}")
    quantity, meter = checks[0].quantity, checks[0].meter
    if any((c.quantity, c.meter) != (quantity, meter) for c in checks):
        raise WaterError("the checks are of different meters or quantities")
    for check in checks:
        if check.resembles:
            raise WaterError(
                f"check {check.capture_id} was taken in what looks like {check.resembles}, not in "
                f"{check.solution}: take another"
            )
    anchors = tuple(_anchor(check) for check in checks)
    if len(anchors) == 1 and quantity != "conductivity":
        _require_error(checks)
        line = from_one_check(anchors[0].said, anchors[0].expected)
        return StandingCorrection(meter, quantity, line, anchors, now_ms)
    if len(anchors) == 1:
        anchors = (Anchor(0.0, 0.0, 0.0), *anchors)
    first, second = anchors
    _require_apart(first, second, quantity)
    if len(checks) == 1:
        _require_error(checks)
    line = from_two_checks(
        (first.said, first.expected),
        (second.said, second.expected),
        pivot=GAIN_PIVOT.get(quantity, 0.0),
    )
    return StandingCorrection(meter, quantity, line, anchors, now_ms)


def _anchor(check: Check) -> Anchor:
    return Anchor(check.said, check.expected, check.u, check.capture_id)


def _require_error(checks: Sequence[Check]) -> None:
    if all(abs(check.said - check.expected) <= 2.0 * check.u for check in checks):
        raise WaterError(
            "no error larger than its own uncertainty was found: a correction would only add noise"
        )


def _require_apart(first: Anchor, second: Anchor, quantity: str) -> None:
    apart = abs(second.expected - first.expected)
    least = _APART * math.hypot(first.u, second.u)
    if quantity == "ph":
        least = max(least, _PH_APART)
    if apart < least:
        raise WaterError(
            f"the two solutions are {apart:.3g} apart, a line needs {least:.3g} or more: take "
            "solutions further apart, or correct from one check"
        )
