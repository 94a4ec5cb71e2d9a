"""A capture of a known solution held against what a right meter would show in it. Pure.

The solution is taken at its *measured* temperature and shown the way this meter shows it: its own
conductivity compensation, its own reference electrode. The verdict is about the value in use: with
the correction in force, where there is one; the meter's own value and bias are kept beside it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from acquire.bench.derive import corrected
from acquire.bench.failure import WATER, compensation_told, resembles, too_weak
from acquire.bench.standard import allowed_error, right_reading
from acquire.checks import Check, StandingCorrection, Verdict
from acquire.errors import WaterError
from acquire.readings import Capture, Channel, SettledValue
from acquire.stats.budget import Budget, Component, normal_u, rectangular_u
from acquire.stats.conformity import compare_with_expected
from acquire.water.solutions import Expected, Solution

__all__ = ["check_budget", "check_capture", "require_checkable"]

TYPED_C = 0.5
"""± of a temperature that was typed, from a household thermometer: common practice, no source."""


@dataclass(frozen=True, slots=True)
class _Temperature:
    value: float
    expanded_u: float
    source: Literal["meter", "typed"]


@dataclass(frozen=True, slots=True)
class _Case:
    """What all quantities of one check have in common."""

    capture: Capture
    channels: Mapping[str, Channel]
    solution: Solution
    temp: _Temperature
    solutions: Mapping[str, Solution]
    opened: str


@dataclass(frozen=True, slots=True)
class _Judged:
    verdict: Verdict
    reason: str
    allowed: float | None
    allowed_by: str
    resembles: str = ""


def require_checkable(
    solution: Solution, channels: Mapping[str, Channel], *, temperature_c: float | None = None
) -> None:
    """Raise WaterError, before anybody waits, when this meter cannot be checked with it."""
    if temperature_c is None and "temperature" not in channels:
        raise WaterError(_NO_TEMPERATURE)
    mine = [channels[one.quantity] for one in solution.expects if one.quantity in channels]
    if not mine:
        known = ", ".join(one.quantity for one in solution.expects)
        raise WaterError(f"{solution.label} is for {known}, which this meter does not measure")
    for channel in mine:
        right_reading(solution, channel, 25.0 if temperature_c is None else temperature_c)


def check_capture(
    capture: Capture,
    solution: Solution,
    channels: Mapping[str, Channel],
    *,
    temperature_c: float | None = None,
    corrections: Mapping[str, StandingCorrection] | None = None,
    solutions: Mapping[str, Solution] | None = None,
    opened: str = "",
) -> tuple[Check, ...]:
    """Hold every settled quantity the solution is for against it.

    `temperature_c` is a typed temperature in °C, for meters that have none. `corrections` are
    those in force, `solutions` the others that may have been in the glass instead.

    Raises:
        WaterError: the temperature is missing, or none of the quantities can be compared.

    """
    temp = _temperature(capture, channels, temperature_c)
    case = _Case(capture, channels, solution, temp, solutions or {}, opened)
    found = []
    for one in solution.expects:
        value, channel = capture.values.get(one.quantity), channels.get(one.quantity)
        if value is not None and channel is not None and value.phase == "settled":
            found.append(_check(case, value, channel, (corrections or {}).get(one.quantity)))
    if not found:
        known = ", ".join(one.quantity for one in solution.expects)
        raise WaterError(f"nothing to compare: {solution.label} is for {known}, none of it settled")
    return tuple(found)


def _check(
    case: _Case, value: SettledValue, channel: Channel, correction: StandingCorrection | None
) -> Check:
    solution, temp = case.solution, case.temp
    expected = right_reading(solution, channel, temp.value)
    expected_u = math.hypot(expected.tolerance, _by_temperature(solution, channel, temp))
    used = value if correction is None else corrected(value, correction)
    judged = _judge(case, used, channel, expected, expected_u)
    reason = judged.reason
    if correction is not None:
        reason += f"; {correction.method}, the meter itself said {value.value:g}"
    if expected.extrapolated:
        reason += f"; at {temp.value:.1f} °C its value is extrapolated: do not rely on it"
    return Check(
        capture_id=case.capture.id,
        meter=case.capture.meter,
        quantity=value.quantity,
        at_ms=case.capture.taken.at_ms,
        solution=solution.name,
        label=solution.label,
        source=solution.source,
        method=expected.method,
        temp_c=temp.value,
        temp_from=temp.source,
        said=value.value,
        said_u=value.expanded_u,
        expected=expected.value,
        expected_u=expected_u,
        allowed=judged.allowed,
        allowed_by=judged.allowed_by,
        verdict=judged.verdict,
        reason=reason,
        corrected=None if correction is None else used.value,
        corrected_u=None if correction is None else used.expanded_u,
        resembles=judged.resembles,
        opened=case.opened,
    )


def _judge(
    case: _Case, used: SettledValue, channel: Channel, expected: Expected, expected_u: float
) -> _Judged:
    """Compare the value in use with what is expected, within what is allowed."""
    allowed, by = allowed_error(channel, expected.value)
    temp_c = case.temp.value
    result = compare_with_expected(
        used.value, used.expanded_u, expected.value, expected_u, allowed=allowed or 0.0
    )
    reason = f"off by {result.bias:+.3g} ± {result.expanded_u:.2g}"
    if allowed is None:
        reason += (
            "; neither the profile nor a published rule says what is allowed: write `accuracy` "
            "into the profile"
        )
        return _Judged("cannot tell", reason, None, "")
    reason += f", allowed ±{allowed:.3g} ({by})"
    failed = result.verdict == "fail"
    if result.verdict == "cannot tell":
        reason += (
            "; the solution and the reading are less sure than what is allowed"
            if result.expanded_u > allowed
            else "; that is closer to the limit than its uncertainty"
        )
    weak = too_weak(case.solution, case.capture, case.channels) if channel.quantity == "ph" else ""
    if weak:
        reason += f"; {weak}: this is hardly {case.solution.label}, pour some and check again"
        return _Judged("fail" if failed else "cannot tell", reason, allowed, by, WATER)
    others = resembles(case.solution, used, channel, temp_c, case.solutions) if failed else []
    if others:
        reason += f"; this is what {' or '.join(others)} would show: was it the right bottle?"
    elif failed and channel.quantity == "conductivity":
        reason += compensation_told(case.solution, used, channel, temp_c)
    return _Judged(result.verdict, reason, allowed, by, ", ".join(others))


_NO_TEMPERATURE = (
    "the temperature of the solution is not known: this meter gives none, so measure it with a "
    "thermometer and say --temperature in °C"
)


def _temperature(
    capture: Capture, channels: Mapping[str, Channel], typed: float | None
) -> _Temperature:
    if typed is not None:
        return _Temperature(typed, TYPED_C, "typed")
    value = capture.derived.get("temperature") or capture.values.get("temperature")
    if value is None or value.phase != "settled":
        raise WaterError(_NO_TEMPERATURE)
    channel = channels.get("temperature")
    accuracy = 0.0
    if channel is not None and "temperature" not in capture.derived:
        accuracy = 2.0 * rectangular_u(channel.accuracy)
    return _Temperature(value.value, math.hypot(value.expanded_u, accuracy), "meter")


def _by_temperature(solution: Solution, channel: Channel, temp: _Temperature) -> float:
    """How far the expected value moves within the uncertainty of the temperature, 95 %."""
    middle = right_reading(solution, channel, temp.value).value
    moves = [0.0]
    for temp_c in (temp.value - temp.expanded_u, temp.value + temp.expanded_u):
        try:
            moves.append(abs(right_reading(solution, channel, temp_c).value - middle))
        except WaterError:  # just outside what the formula holds for: the other side says enough
            continue
    return max(moves)


def check_budget(check: Check, value: SettledValue) -> Budget:
    """Build the budget of a check's bias: how the value settled, and the solution."""
    terms = [Component(name, u) for name, u in value.budget.items()]
    solution = Component("solution, at its temperature", normal_u(check.expected_u))
    return Budget(check.bias, (*terms, solution))
