"""Curves as columns of numbers, aggregated to what a screen can show. Read-only."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from acquire.config import Config
from acquire.store.records import Records
from acquire.store.spans import Point, Span

__all__ = ["POINTS", "chart", "columns", "curve"]

POINTS = (10, 4000)
"""How few and how many points may be asked for."""
_BEFORE_MS, _AFTER_MS = 10_000, 30_000
_COARSE_MS = 30_000


def columns(points: Iterable[Point]) -> dict[str, list[float]]:
    """Give the middle of each point, and what it holds."""
    all_of = list(points)
    return {
        "t_ms": [(p.start_ms + p.end_ms) // 2 for p in all_of],
        "mean": [p.mean for p in all_of],
        "low": [p.low for p in all_of],
        "high": [p.high for p in all_of],
        "n": [p.n for p in all_of],
    }


def chart(
    records: Records,
    meter: str,
    quantities: Sequence[str],
    *,
    since_ms: int,
    until_ms: int,
    most: int,
) -> dict[str, Any] | None:
    """Give quantities of a meter over a span; None where nobody knows the meter."""
    known = [one.quantity for one in records.series() if one.meter == meter]
    if not known:
        return None
    wanted = quantities or list(dict.fromkeys(known))
    series = []
    for quantity in wanted:
        span = records.span(meter, quantity, since_ms=since_ms, until_ms=until_ms, most=most)
        said = {"quantity": quantity, "unit": span.unit, "width_ms": span.width_ms}
        series.append({**said, **columns(span.points)})
    return {"meter": meter, "since_ms": since_ms, "until_ms": until_ms, "series": series}


def curve(records: Records, capture_id: str, config: Config, most: int) -> dict[str, Any] | None:
    """Give how a capture came to rest, seconds from the begin; None where there is no such."""
    capture = records.capture(capture_id)
    if capture is None:
        return None
    began_ms = capture.started.at_ms
    end_ms = capture.taken.at_ms + _AFTER_MS
    is_typed = any(value.source != "meter" for value in capture.values.values())
    note = "typed by a person: there is no curve" if is_typed else ""
    quantities = {}
    for name, value in capture.values.items():
        points: tuple[Point, ...] = ()
        if not is_typed and end_ms > began_ms:
            span: Span = records.span(
                capture.meter,
                name,
                since_ms=max(0, began_ms - _BEFORE_MS),
                until_ms=end_ms,
                most=most,
            )
            points = span.points
            if points and span.width_ms >= _COARSE_MS:
                note = "the readings have expired: only what is kept of each minute is left"
        half = config.tolerance(name).at(value.value) if name in config.quantities else None
        quantities[name] = {
            "value": value.value,
            "expanded_u": value.expanded_u,
            "phase": value.phase,
            "tolerance": half,
            "low": None if half is None else value.value - half,
            "high": None if half is None else value.value + half,
            "t_s": [((p.start_ms + p.end_ms) / 2 - began_ms) / 1000 for p in points],
            "mean": [p.mean for p in points],
            "least": [p.low for p in points],
            "most": [p.high for p in points],
        }
    if not note and not any(one["t_s"] for one in quantities.values()):
        note = "no readings are left of it"
    return {
        "capture": capture.id,
        "meter": capture.meter,
        "began_ms": began_ms,
        "taken_s": round(capture.taken.t_s - capture.started.t_s, 3),
        "quantities": quantities,
        "note": note,
    }
