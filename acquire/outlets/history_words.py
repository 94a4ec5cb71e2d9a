"""The history of a water in a terminal of 80 columns: a chart a quantity, and what it says."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from acquire.bench.history import QuantityHistory, WaterHistory
from acquire.bench.movement import Change, Point, WaterTrend
from acquire.outlets.check_words import date_text
from acquire.outlets.comparison_words import cautions, wrapped
from acquire.outlets.count_words import count_title
from acquire.outlets.words import shown, shown_with_u, tidy
from acquire.quantities import Quantity
from acquire.water.cautions import MICROSCOPE

__all__ = ["chart_lines", "history_lines"]

Quantities = Mapping[str, Quantity]
_WIDTH, _HEIGHT, _MARGIN = 66, 9, 11
_SURE, _LISTED = 20, 12


def history_lines(found: WaterHistory, quantities: Quantities) -> Iterator[str]:
    """Give all of it, a section a quantity, newest visits listed."""
    yield tidy(found.water) or "?"
    for one in found.quantities:
        yield ""
        yield from _section(one, quantities[one.quantity])
    if found.counts:
        yield ""
        yield "Particles"
        yield from (f"  {count_title(count)}" for count in found.counts[-_LISTED:])
    for note in found.notes:
        yield from wrapped(tidy(note, 300), "Note: ", then="  ")
    yield ""
    yield from cautions(*((MICROSCOPE,) if found.counts else ()))


def _section(one: QuantityHistory, quantity: Quantity) -> Iterator[str]:
    last = one.points[-1]
    times = "once" if len(one.points) == 1 else f"{len(one.points)} times"
    now = _value(last, quantity)
    yield f"{quantity.label}: {now} on {date_text(last.at_ms)}{_mark(last)}; measured {times}"
    if len(one.points) > 1:
        yield from chart_lines(one, quantity)
    for point in one.points[-_LISTED:] if len(one.points) < 4 else ():
        yield f"  {date_text(point.at_ms)}  {_value(point, quantity)}{_mark(point)}"
    if one.change is not None:
        yield from _labelled("change", _change(one.change, quantity))
    if one.trend is not None:
        yield from _labelled("trend", _trend(one.trend, len(one.sound), quantity))
    if one.chart is not None:
        outside = [date_text(one.points[place].at_ms) for place in one.chart.outside]
        said = f"outside its limits: {', '.join(outside[-4:])}" if outside else "all within limits"
        if len(one.sound) < _SURE:
            said += f" (of {len(one.sound)} values: sure from about {_SURE}, common practice)"
        yield from _labelled("chart", said)
    yield from _labelled("checks", _checks(one))


def _labelled(label: str, text: str) -> list[str]:
    return wrapped(text, f"  {label:<7} ", then=" " * 10)


def _value(point: Point, quantity: Quantity) -> str:
    if not math.isfinite(point.expanded_u):
        return shown(quantity, point.value)
    return shown_with_u(quantity, point.value, point.expanded_u)


def _mark(point: Point) -> str:
    said = ["imported"] if point.is_imported else []
    if point.is_doubted:
        said.append("in doubt: in no trend, no chart")
    elif point.flags:
        said.append("flagged")
    return f"  ({', '.join(said)})" if said else ""


def _change(change: Change, quantity: Quantity) -> str:
    bare = replace(quantity, shown_unit="")
    size = shown_with_u(bare, change.budget.value, change.budget.expanded())
    sign = "" if size.startswith("-") else "+"
    how = (
        "the meter's drift taken off by its checks"
        if change.by_checks
        else ("no checks on both days: all that the meter may be off is in the ±")
    )
    answer = {"yes": "changed", "no": "no change that matters"}.get(change.verdict, "cannot tell")
    return (
        f"{answer} since {date_text(change.since_ms)}: {sign}{size} {quantity.shown_unit}".rstrip()
        + f"; {tidy(change.why, 200)}; {how}"
    )


def _trend(trend: WaterTrend, points: int, quantity: Quantity) -> str:
    if not (math.isfinite(trend.low) and math.isfinite(trend.high)):
        return f"cannot be told from {points} values: any change is within its interval"
    low, high = f"{trend.low:+.2g}", f"{trend.high:+.2g}"
    unit = quantity.shown_unit
    text = f"{trend.verdict}: {trend.per_month:+.2g} {unit}".rstrip()
    text += f" a month ({low} to {high}, Theil-Sen); {trend.why}"
    if trend.drift is not None:
        drift = trend.drift
        text += (
            f"; the meter: {drift.per_month:+.2g} ({drift.low:+.2g} to {drift.high:+.2g}) by "
            f"{drift.checks} checks with {tidy(drift.solution, 30)}"
        )
    return text + ("; few points: the interval is rough" if points < 10 else "")


def _checks(one: QuantityHistory) -> str:
    if not one.checks:
        if len(one.points) == 1:
            return "none beside it (`ouzel check`)"
        return "none beside it: nobody knows what the meter did meanwhile (`ouzel check`)"
    last = one.checks[-1]
    failed = sum(check.verdict == "fail" for check in one.checks)
    said = f"{len(one.checks)}, the last {last.verdict} on {date_text(last.at_ms)}"
    return said + (f"; {failed} failed" if failed else "")


def chart_lines(one: QuantityHistory, quantity: Quantity) -> Iterator[str]:
    """Draw values over time with their chart's middle and limits; ● a value, ○ an odd one, × one
    in doubt.

    ^ below marks a day with a check.
    """
    points, chart = one.points, one.chart
    # One in doubt may lie anywhere: it stands at the edge rather than flatten all others.
    levels = [p.value for p in one.sound or points]
    levels += [chart.lower, chart.upper] if chart else []
    low, high = min(levels), max(levels)
    if high - low < quantity.tolerance.at(high):  # a still water is a flat line, not a mountain
        middle, reach = (low + high) / 2, quantity.tolerance.at(high)
        low, high = middle - reach, middle + reach
    first_ms = points[0].at_ms
    span_ms = max(points[-1].at_ms - first_ms, 1)
    rows = [[" "] * _WIDTH for _ in range(_HEIGHT)]

    def row(value: float) -> int:
        return round((high - min(max(value, low), high)) / (high - low) * (_HEIGHT - 1))

    if chart is not None:
        for value, sign in ((chart.mean, "─"), (chart.lower, "┄"), (chart.upper, "┄")):
            rows[row(value)] = [sign] * _WIDTH
    for point in points:
        sign = "×" if point.is_doubted else "○" if point.flags or point.is_imported else "●"
        rows[row(point.value)][_column(point.at_ms, first_ms, span_ms)] = sign
    labels = _labels(one, quantity, low, high)
    for n, cells in enumerate(rows):
        yield f"{labels.get(n, ''):>{_MARGIN}} │{''.join(cells).rstrip()}"
    below = [" "] * _WIDTH
    for check in one.checks:
        if first_ms <= check.at_ms <= points[-1].at_ms:
            below[_column(check.at_ms, first_ms, span_ms)] = "^"
    title = "checks" if "^" in below else ""
    yield f"{title:>{_MARGIN}} └{''.join(below).rstrip() or '─' * _WIDTH}"
    last = date_text(points[-1].at_ms)
    yield f"{'':>{_MARGIN + 2}}{date_text(first_ms)}{last:>{_WIDTH - 10}}"


def _column(at_ms: int, first_ms: int, span_ms: int) -> int:
    return round((at_ms - first_ms) / span_ms * (_WIDTH - 1))


def _labels(one: QuantityHistory, quantity: Quantity, low: float, high: float) -> dict[int, str]:
    chart = one.chart
    at: Sequence[float] = (high, low) if chart is None else (high, low, chart.mean)
    found = {}
    for value in at:
        digits = quantity.digits if abs(value) >= 100 else quantity.digits + 1
        place = round((high - value) / (high - low) * (_HEIGHT - 1))
        found[place] = quantity.show(value, digits=digits)
    return found
