"""Checks, solutions, the state of a meter and its corrections, as people read them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime

from acquire.bench.meter_state import (
    DAY_MS,
    Drift,
    ElectrodeState,
    MeterState,
    QuantityState,
    SolutionState,
)
from acquire.checks import Check, StandingCorrection
from acquire.outlets.cells import padded, wrap
from acquire.outlets.chart import control_chart
from acquire.outlets.words import shown, shown_with_u, tidy
from acquire.quantities import Quantity
from acquire.water.solutions import Solution

__all__ = [
    "check_lines",
    "correction_line",
    "date_text",
    "opened_warning",
    "solution_lines",
    "state_lines",
]

Quantities = Mapping[str, Quantity]
_WIDTH = 78
_SURE = 20
"""Checks that make the limits of a chart sure: common practice, no source."""


def date_text(at_ms: int) -> str:
    """Local date, ISO 8601."""
    return f"{datetime.fromtimestamp(at_ms / 1000):%Y-%m-%d}"  # noqa: DTZ006  (local on purpose)


def _ago(at_ms: int, now_ms: int) -> str:
    days = (now_ms - at_ms) // DAY_MS
    return "today" if days < 1 else "yesterday" if days == 1 else f"{days} days ago"


def _wrapped(text: str, indent: str, most: int = 600) -> Iterator[str]:
    yield from wrap(tidy(text, most), _WIDTH, indent)


def solution_lines(solution: Solution) -> Iterator[str]:
    """One solution of the catalogue: what for, how long it keeps, its cautions."""
    quantities = ", ".join(one.quantity for one in solution.expects)
    yield f"{padded(solution.name, 16)} {tidy(solution.label)}"
    keeps = "" if solution.opened_days is None else f"; keeps {solution.opened_days} days opened"
    yield f"    for {quantities}{keeps}"
    for caution in solution.cautions:
        yield from _wrapped(f"caution: {caution}", "    ")
    yield from _wrapped(f"source: {solution.source}", "    ")


def opened_warning(solution: Solution, days: int) -> str:
    """Say when a bottle is past its time; empty when it is not, or nobody knows."""
    if solution.opened_days is None or days <= solution.opened_days:
        return ""
    return (
        f"this bottle was opened {days} days ago and keeps {solution.opened_days}: its value may "
        "have changed, a failure may be the bottle's"
    )


def check_lines(checks: Iterable[Check], quantities: Quantities) -> Iterator[str]:
    """A check, quantity by quantity: verdict, numbers, reason."""
    for check in checks:
        quantity = quantities[check.quantity]
        yield f"{quantity.label}: {check.verdict.upper()}"
        rows = [("the meter says", check.said, check.said_u)]
        if check.corrected is not None:
            rows.append(("corrected", check.corrected, check.corrected_u or 0.0))
        rows.append(("expected", check.expected, check.expected_u))
        for label, value, u in rows:
            yield f"  {label:<15} {shown_with_u(quantity, value, u)}"
        thermometer = "typed" if check.temp_from == "typed" else "measured"
        yield f"  {'at':<15} {check.temp_c:.1f} °C ({thermometer})"
        yield from _wrapped(check.reason, "  ")
        yield from _wrapped(f"expected: {check.method}. {check.source}", "    ")


def correction_line(one: StandingCorrection, quantities: Quantities) -> str:
    """One correction in force."""
    label = quantities[one.quantity].label if one.quantity in quantities else one.quantity
    return f"{label}: {one.method}, since {date_text(one.from_ms)}"


def state_lines(state: MeterState, quantities: Quantities) -> Iterator[str]:
    """The whole state of a meter."""
    yield tidy(state.meter)
    for one in state.quantities:
        yield ""
        yield from _quantity_lines(one, state, quantities[one.quantity])
    if state.electrode is not None:
        yield ""
        yield from _electrode_lines(state.electrode)
    yield ""
    if state.corrections:
        yield "Corrections in force (the meter's own values are always kept):"
        for standing in state.corrections:
            yield from _wrapped(correction_line(standing, quantities), "  ")
    else:
        yield "No correction is in force."


def _quantity_lines(state: QuantityState, whole: MeterState, quantity: Quantity) -> Iterator[str]:
    if state.is_good and state.good_until_ms is not None:
        head = f"good until {date_text(state.good_until_ms)}"
    elif state.good_until_ms is not None:
        head = f"check it: its last pass held until {date_text(state.good_until_ms)}"
    else:
        head = "not verified"
    yield from _wrapped(f"{quantity.label}: {head} ({state.reason})", "")
    for solution in state.solutions:
        yield from _solution_lines(solution, whole.now_ms, quantity)


def _solution_lines(state: SolutionState, now_ms: int, quantity: Quantity) -> Iterator[str]:
    last, count = state.last, len(state.checks)
    checks = "1 check" if count == 1 else f"{count} checks"
    yield from _wrapped(
        f"{tidy(state.label)}: {checks}, last {_ago(last.at_ms, now_ms)} "
        f"({date_text(last.at_ms)}): {last.verdict.upper()}",
        "  ",
    )
    bias = quantity.show(last.bias, digits=quantity.digits + 1)
    sign = "" if bias.startswith("-") else "+"
    yield (
        f"    said {shown(quantity, last.said)}, expected {shown(quantity, last.expected)} at "
        f"{last.temp_c:.1f} °C: off by {sign}{bias}"
    )
    if state.drift is not None:
        yield from _wrapped(_drift_text(state.drift, quantity), "    ")
    if state.mistaken:
        yield f"    left out: {state.mistaken} with another solution in the glass"
    if state.chart is not None:
        yield "    how far it was off, check by check:"
        biases = [check.bias for check in state.checks]
        digits = quantity.digits + 1
        for line in control_chart(biases, state.chart, digits=digits, width=50):
            yield f"    {line}"
        for index in state.chart.outside:
            check = state.checks[index]
            yield (
                f"    outside the limits: {date_text(check.at_ms)}, {check.bias:+.{digits}f} "
                f"(check {check.capture_id})"
            )
        if count < _SURE:
            yield f"    limits from {checks}: provisional below some {_SURE} (common practice)"


def _drift_text(drift: Drift, quantity: Quantity) -> str:
    unit = f" {quantity.shown_unit}".rstrip()
    text = f"drift {drift.per_month:+.2g}{unit} a month"
    if drift.low is None or drift.high is None:
        return f"{text}, from 2 checks over {drift.days:.0f} days: no more than a hint"
    if math.isinf(drift.low) or math.isinf(drift.high):
        return f"{text} ({drift.checks} checks over {drift.days:.0f} days: too few to bound it)"
    sure = drift.low * drift.high > 0
    return (
        f"{text} ({drift.low:+.2g} to {drift.high:+.2g}, 95 %, Theil-Sen of {drift.checks} checks "
        f"over {drift.days:.0f} days){'' if sure else ': it may be none'}"
    )


def _electrode_lines(state: ElectrodeState) -> Iterator[str]:
    buffers = " and ".join(check.solution for check in state.checks)
    yield f"pH electrode, by {buffers} on {date_text(state.at_ms)}: {state.verdict.upper()}"
    for reason in state.reasons:
        yield from _wrapped(reason, "  ")
    yield from _wrapped(
        "As the meter shows it: a calibration stored in the meter is part of these numbers.", "  "
    )
