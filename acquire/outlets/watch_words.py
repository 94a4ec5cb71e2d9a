"""A watch in words, as JSON, and as a curve of characters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from statistics import fmean
from typing import Any

from acquire.outlets.as_json import finite
from acquire.outlets.words import tidy
from acquire.readings import utc_text
from acquire.watch.history import ADVICE, TITLES, WatchState
from acquire.watch.side_by_side import Agreement

__all__ = ["agreement_text", "plotted", "state_json", "state_text"]

_WIDTH, _HEIGHT = 64, 13
_MARKED = (0, 4, 8, 12)
"""Rows with a number beside them."""
_HOURS_UP_TO_MS = 3 * 86_400_000


def state_text(state: WatchState) -> str:
    """Say how a watch stands in some lines of at most 80 columns."""
    since = "" if state.changed_ms is None else f", changed {_day(state.changed_ms)}"
    lines = [f"{tidy(state.watch)}{since}"]
    litres = "" if state.litres is None else f", {state.litres:.0f} L"
    lines.append(f"  draws        {state.draws}, {state.settled} came to rest{litres}")
    last = state.last
    if last is not None and last.passage is not None and last.draw.value is not None:
        u = 200 * (last.passage_u or 0.0)
        lines.append(
            f"  rejection    {100 * (1 - last.passage):.1f} % ± {u:.1f} by conductivity, "
            f"{_time(last.draw.ended_ms)}"
        )
        lines.append(
            f"  product      {last.draw.value:.3g} µS/cm at 25 °C; feed {last.feed or 0:.3g}, "
            f"of {_time(last.feed_ms or 0)}"
        )
    if state.first_peak is not None:
        lines.append(f"  first water  {state.first_peak:.1f} times the settled value, last week")
    lines.append(f"  baseline     {_baseline(state)}")
    first, *more = _wrapped(_forecast(state))
    lines.append(f"  forecast     {first}")
    lines += [f"               {part}" for part in more]
    if not state.alerts:
        lines.append("  alerts       none")
    for alert in state.alerts:
        seen = ", seen" if alert.acknowledged_ms is not None else ""
        lines.append(f"  ALERT        {TITLES[alert.kind]}")
        lines.append(f"               {alert.id}, since {_time(alert.raised_ms)}{seen}")
        lines += [f"               {part}" for part in _wrapped(f"{tidy(alert.text, 300)}.")]
        lines += [f"               {part}" for part in _wrapped(ADVICE[alert.kind])]
    lines.append("  These readings never show that a water is safe to drink.")
    return "\n".join(lines)


def agreement_text(watch: str, found: Agreement) -> str:
    """Say how two probes agree, and the line that makes them."""
    lines = [
        f"{tidy(found.water)}, {_time(found.at_ms)}",
        f"product's probe {found.product:.4g} µS/cm, feed's {found.feed:.4g}",
        f"gain {found.gain:.4f} ± {2 * found.u:.4f} (95 %)",
    ]
    if not found.differs:
        lines.append("they agree as far as these captures can tell: change nothing")
    else:
        lines.append("to apply it, write into the configuration and restart `ouzel serve`:")
        lines.append(f"  [watch.{watch}]\n  product_gain = {found.gain:.4f}")
    return "\n".join(lines)


def _baseline(state: WatchState) -> str:
    now = state.standing
    if now.baseline is None or now.level is None:
        return f"being learnt: {now.draws} draws since the change"
    rising = ", rising" if now.is_rising else ""
    return f"passage {now.baseline:.2%} at 25 °C after the change, {now.level:.2%} now{rising}"


def _forecast(state: WatchState) -> str:
    said = state.forecast
    if said.days is None or said.low_days is None or said.high_days is None:
        return f"none: {said.refusal}"
    return (
        f"limit in {said.low_days:.0f} to {said.high_days:.0f} days (nine in ten), "
        f"most likely {said.days:.0f}"
    )


def state_json(state: WatchState) -> dict[str, Any]:
    """Give it for programs: one flat object a thing, numbers or null."""
    said = finite(asdict(state))
    last = state.last
    said["rejection_percent"] = (
        None if last is None or last.passage is None else 100 * (1 - last.passage)
    )
    return dict(said)


def plotted(
    points: Sequence[tuple[int, float]], title: str, unit: str = "", *, digits: int = 1
) -> str:
    """Draw points over time; a column without values stays empty: a gap is a gap.

    Values at the left in `unit`, with at least `digits` decimals; below it dates, with the time of
    day where the whole is shorter than three days. All times are UTC.
    """
    head = f"{title}, {unit}" if unit else title
    if not points:
        return f"{head}: nothing recorded in that time"
    first, last = points[0][0], points[-1][0]
    columns: dict[int, list[float]] = {}
    for at_ms, value in points:
        place = 0 if last == first else round((at_ms - first) / (last - first) * (_WIDTH - 1))
        columns.setdefault(place, []).append(value)
    means = {place: fmean(values) for place, values in columns.items()}
    low, high = min(means.values()), max(means.values())
    if high - low < 10.0**-digits:  # less than the display shows: not a mountain
        middle = (high + low) / 2
        low, high = middle - 10.0**-digits, middle + 10.0**-digits
    rows = [[" "] * _WIDTH for _ in range(_HEIGHT)]
    for place, value in means.items():
        rows[round((high - value) / (high - low) * (_HEIGHT - 1))][place] = "•"
    places = digits + (high - low < 3.0 * 10.0**-digits)  # else neighbours would read the same
    marks = {n: high - n / (_HEIGHT - 1) * (high - low) for n in _MARKED}
    lines = [head]
    for n, row in enumerate(rows):
        label = f"{marks[n]:.{places}f}" if n in marks else ""
        lines.append(f"{label:>9} {'┤' if n in marks else '│'}{''.join(row).rstrip()}")
    lines.append(f"{'':>9} └{'─' * _WIDTH}")
    show = _day if last - first >= _HOURS_UP_TO_MS else _time_of_day
    ends = [show(first), show((first + last) // 2), show(last)]
    if last == first:
        ends = [ends[0], "", ""]
    gap = _WIDTH - sum(map(len, ends))
    lines.append(f"{'':>11}{ends[0]}{'':>{gap // 2}}{ends[1]}{'':>{gap - gap // 2}}{ends[2]}")
    lines.append(f"{'':>11}{'UTC':>{_WIDTH}}")
    return "\n".join(lines)


def _time_of_day(at_ms: int) -> str:
    return utc_text(at_ms)[5:16].replace("T", " ")


def _day(at_ms: int) -> str:
    return utc_text(at_ms)[:10]


def _time(at_ms: int) -> str:
    return utc_text(at_ms)[:16].replace("T", " ") + " UTC"


def _wrapped(text: str) -> list[str]:
    from textwrap import wrap  # noqa: PLC0415

    return wrap(text, 64)
