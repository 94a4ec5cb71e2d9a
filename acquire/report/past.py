"""Over the months: each water's rounds as a chart, with the checks of the meter beside it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from acquire.bench.history import QuantityHistory, WaterHistory
from acquire.bench.movement import Change, Point
from acquire.quantities import Quantity
from acquire.report.markup import Child, Markup, tag
from acquire.report.svg import BOTTOM, LEFT, RIGHT, TOP, Place, across, decimals, figure, ticks
from acquire.report.view import MARKS, View, figures

__all__ = ["histories_of"]

_LEAST = 2
"""Visits before there is anything to draw."""
_STRIP = 18.0
"""Height left under the points for the checks."""
_TRENDS = {
    "rising": "rising",
    "falling": "falling",
    "no trend": "no trend to be seen",
    "cannot tell": "a trend cannot be told",
}


def histories_of(view: View) -> Iterator[Markup]:
    """Give one article a water that was visited more than once."""
    found = [article for one in view.all.histories if (article := _article(view, one))]
    if not found:
        return
    yield tag(
        "p",
        "Each point is a visit with its 95 % uncertainty, the flag is this round, a square was "
        "imported, an empty circle is in doubt (at the edge where it lies beyond): no trend, no "
        "mean and no limit rests on it. Dashed lines are the mean and the limits of an individuals "
        "chart (mean ± 2.66 times the mean moving range, NIST e-Handbook 6.3.2.2), no more than a "
        "hint below some twenty visits. Marks below are checks of the meter: a filled triangle "
        "passed, a cross failed, an empty triangle cannot tell.",
        class_="small",
    )
    yield from found


def _article(view: View, one: WaterHistory) -> Markup:
    drawn, said = [], []
    for each in one.quantities:
        quantity, channel = view.quantity(each.quantity), view.all.channels.get(each.quantity)
        if quantity is None or len(each.points) < _LEAST:
            continue
        if channel is not None and channel.follows:
            continue  # the same picture again, by another scale
        drawn.append(tag("figure", _figure(view, each, quantity)))
        said.append(tag("li", tag("b", quantity.label), *_told(view, each)))
    if not drawn:
        return Markup()
    return tag(
        "article",
        tag("h3", view.water(one.water)),
        tag("div", *drawn, class_="curves"),
        tag("ul", *said, class_="plain"),
        *(tag("p", view.redaction.text(note), class_="note") for note in one.notes),
    )


def _told(view: View, each: QuantityHistory) -> Iterator[Child]:
    """What changed since the last visit, and where it is going."""
    here = view.all.round.id
    if each.change is not None and each.points[-1].round_id == here:
        yield from _changed(view, each, each.change)
    if each.trend is None:
        yield " Too few visits for a trend." if len(each.sound) < 3 else ""
        return
    trend, unit = each.trend, view.unit(each.quantity)
    if not math.isfinite(trend.low + trend.high):
        yield f" {len(each.sound)} visits are too few for a trend with bounds."
        return
    yield (
        f" Over {len(each.sound)} visits {_TRENDS[trend.verdict]}: "
        + f"{_signed(trend.per_month)} {unit}".rstrip()
        + f" a month ({_signed(trend.low)} to {_signed(trend.high)}; "
        + f"{view.redaction.text(trend.why)})."
    )


def _changed(view: View, each: QuantityHistory, change: Change) -> Iterator[Child]:
    budget = change.budget
    words = {
        "yes": "it has changed by",
        "no": "no change that would matter,",
        "cannot tell": "a change cannot be told,",
    }
    size = view.signed(each.quantity, budget.value, budget.expanded())
    by = " (drift of the meter taken off by its checks)" if change.by_checks else ""
    yield ": "
    yield tag("span", f"{MARKS[change.verdict]} ", class_="sign", aria_hidden="true")
    yield (
        f"since {view.day(change.since_ms)} {words[change.verdict]} {size}{by}; "
        f"{view.redaction.text(change.why)}."
    )


def _signed(value: float) -> str:
    text = figures(abs(value))
    return text if value == 0 else f"−{text}" if value < 0 else f"+{text}"


def _figure(view: View, each: QuantityHistory, quantity: Quantity) -> Markup:
    points = each.points
    begin, end = points[0].at_ms, points[-1].at_ms
    low, high = _reach(each, each.sound or points)

    def x(at_ms: float) -> float:
        return LEFT + 8.0 + (RIGHT - LEFT - 16.0) * (at_ms - begin) / max(end - begin, 1)

    def y(value: float) -> float:
        kept = min(max(value, low), high)  # one in doubt may lie anywhere: it stands at the edge
        return TOP + (BOTTOM - _STRIP - TOP) * (high - kept) / (high - low)

    last = points[-1]
    shown = quantity.show(last.value)
    if math.isfinite(last.expanded_u):
        shown = view.pair(each.quantity, last.value, last.expanded_u)
    return figure(
        view.name_of_figure(),
        f"{quantity.label} over {len(points)} visits",
        _described(view, each, points),
        tag("text", quantity.label, x=0.0, y=13.0, class_="head"),
        tag("text", shown, x=RIGHT, y=13.0, class_="head end"),
        *_limits(each, y),
        *_scale(quantity, low, high, y),
        *(mark for point in points for mark in _point(point, x(point.at_ms), y)),
        *_this_round(view, points, x),
        *_checks(each, x, begin, end),
        across(BOTTOM, "axis"),
        *_days(view, points, x),
    )


def _reach(each: QuantityHistory, points: Sequence[Point]) -> tuple[float, float]:
    """Give low and high: every point with its bar, and the limits of the chart."""
    sides = [point.value for point in points]
    for point in points:
        if math.isfinite(point.expanded_u):
            sides += [point.value - point.expanded_u, point.value + point.expanded_u]
    if each.chart is not None:
        sides += [each.chart.lower, each.chart.upper]
    low, high = min(sides), max(sides)
    margin = 0.06 * (high - low) or 1.0
    return low - margin, high + margin


def _limits(each: QuantityHistory, y: Place) -> Iterator[Markup]:
    if each.chart is not None:
        for value in (each.chart.lower, each.chart.mean, each.chart.upper):
            yield across(y(value), "limit")


def _scale(quantity: Quantity, low: float, high: float, y: Place) -> Iterator[Markup]:
    marks = ticks(low, high, 3)
    digits = decimals(marks[1] - marks[0]) if len(marks) > 1 else quantity.digits
    for value in marks:
        text = quantity.show(value, digits=digits)
        yield tag("text", text, x=LEFT - 6.0, y=y(value) + 3.5, class_="tick end")


def _point(point: Point, x: float, y: Place) -> Iterator[Markup]:
    middle, u = y(point.value), point.expanded_u
    if math.isfinite(u):
        yield tag("line", x1=x, x2=x, y1=y(point.value - u), y2=y(point.value + u), class_="bar")
    if point.is_imported:
        yield tag("rect", x=x - 3.2, y=middle - 3.2, width=6.4, height=6.4, class_="hollow")
    else:
        look = "hollow" if point.is_doubted else "full"
        yield tag("circle", cx=x, cy=middle, r=3.4, class_=look)


def _this_round(view: View, points: Sequence[Point], x: Place) -> Iterator[Markup]:
    for point in points:
        if point.round_id == view.all.round.id:
            at = x(point.at_ms)
            yield tag("path", d=f"M{at - 4:.1f} {TOP - 8:.1f}h8l-4 7Z", class_="flag")


def _checks(each: QuantityHistory, x: Place, begin: int, end: int) -> Iterator[Markup]:
    y, day = BOTTOM - 7.0, 86_400_000
    for check in each.checks:
        if not begin - day <= check.at_ms <= end + day:
            continue
        at = min(max(x(check.at_ms), LEFT), RIGHT)
        if check.verdict == "fail":
            yield tag("path", d=f"M{at - 3:.1f} {y - 3:.1f}l6 6m0 -6l-6 6", class_="cross")
        else:
            look = "far" if check.verdict == "pass" else "unsure"
            yield tag("path", d=f"M{at - 3.4:.1f} {y + 3:.1f}h6.8l-3.4 -6Z", class_=look)


def _days(view: View, points: Sequence[Point], x: Place) -> Iterator[Markup]:
    for point, at, look in ((points[0], LEFT, "tick"), (points[-1], RIGHT, "tick end")):
        yield tag("text", view.day(point.at_ms), x=at, y=BOTTOM + 15.0, class_=look)
    for point in points:
        at = x(point.at_ms)
        yield tag("line", x1=at, x2=at, y1=BOTTOM, y2=BOTTOM + 3.0, class_="axis")


def _described(view: View, each: QuantityHistory, points: Sequence[Point]) -> str:
    said = [
        f"{view.day(point.at_ms)} {view.pair(each.quantity, point.value, point.expanded_u)}"
        for point in points[-12:]
    ]
    more = f"The last {len(said)} of {len(points)} visits: " if len(points) > len(said) else ""
    passed = sum(check.verdict == "pass" for check in each.checks)
    return f"{more}{'; '.join(said)}. Of {len(each.checks)} checks of the meter {passed} passed."
