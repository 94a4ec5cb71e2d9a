"""A span of time as a bounded number of points: what a chart is drawn from.

The level is chosen by the span, so that a question over years reads no more rows than one over a
day. What a level has not come to yet is taken from the level below it, at last from the readings.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from acquire.store.packs import oldest_ms, said_in_tail, values_between
from acquire.store.rollups import DAYS, HOURS, MINUTES, Level

__all__ = ["Point", "Span", "span_of"]

_RAW_MS = 30 * 60_000
"""Spans up to this are drawn from readings."""
_MINUTES_MS = 10 * 86_400_000
_HOURS_MS = 3 * 366 * 86_400_000
_TAIL_MS = 3_600_000
"""Readings not rolled up yet that are looked at; more are there only while an old store catches
up."""


@dataclass(frozen=True, slots=True)
class Point:
    """One quantity between two instants; a stretch without values has no point."""

    start_ms: int
    end_ms: int
    """Not included."""
    n: int
    low: float
    high: float
    mean: float


@dataclass(frozen=True, slots=True)
class Span:
    """One quantity of one meter over a span, in points of one width, in the order of time."""

    since_ms: int
    until_ms: int
    width_ms: int
    unit: str
    """UCUM; only what was kept in this unit is in the points."""
    points: tuple[Point, ...]


_Row = tuple[int, int, float, float, float]  # start, n, low, high, sum


def span_of(
    connection: sqlite3.Connection,
    series: Sequence[int],
    *,
    since_ms: int,
    until_ms: int,
    most: int,
    unit: str,
) -> Span:
    """Give at most `most` points of those series between two instants (the second not included)."""
    asked = max(1, until_ms - since_ms)
    level = _level(connection, since_ms, asked)
    step = 1 if level is None else level.length_ms
    begin = since_ms - since_ms % step
    width = max(step, -(-(until_ms - begin) // (most * step)) * step)
    bins: dict[int, list[float]] = {}
    through = dict(connection.execute("SELECT level, through_ms FROM rolled").fetchall())
    for key in series:
        for start, n, low, high, total in _rows(
            connection, key, begin, until_ms, level, through, width
        ):
            held = bins.setdefault((start - begin) // width, [0, low, high, 0.0])
            held[0] += n
            held[1] = min(held[1], low)
            held[2] = max(held[2], high)
            held[3] += total
    points = tuple(
        Point(begin + k * width, begin + (k + 1) * width, int(n), low, high, total / n)
        for k, (n, low, high, total) in sorted(bins.items())
    )
    return Span(since_ms, until_ms, width, unit, points)


def _level(connection: sqlite3.Connection, since_ms: int, asked_ms: int) -> Level | None:
    """Choose by the length asked for; what has expired there is looked for one level up."""
    if asked_ms > _HOURS_MS:
        return DAYS
    raw = oldest_ms(connection.execute)
    minutes, days = (
        connection.execute(query).fetchone()[0]
        for query in ("SELECT min(start_ms) FROM minutes", "SELECT min(start_ms) FROM days")
    )
    if asked_ms <= _RAW_MS and not _is_gone(raw, minutes, since_ms):
        return None
    if asked_ms <= _MINUTES_MS and not _is_gone(minutes, days, since_ms):
        return MINUTES
    return HOURS


def _is_gone(oldest: int | None, oldest_above: int | None, since_ms: int) -> bool:
    """Tell whether a level lacks the begin of a span that the one above it may have."""
    if oldest_above is None or (oldest is not None and oldest <= since_ms):
        return False
    return oldest is None or oldest_above < oldest - oldest % 86_400_000


def _rows(  # noqa: PLR0917
    connection: sqlite3.Connection,
    key: int,
    begin: int,
    end: int,
    level: Level | None,
    through: dict[str, int],
    width: int,
) -> Iterator[_Row]:
    """Read a level as far as it has come, then what is below it, and what came late."""
    if level is not None:
        for said in said_in_tail(connection.execute, begin, min(end, through[MINUTES.table])):
            for series, (value, flag) in zip(said.series, said.cells, strict=True):
                if series == key and value is not None and not flag:
                    yield said.at_ms, 1, value, value, value
    for one, query in ((DAYS, _LONG), (HOURS, _LONG), (MINUTES, _MINUTE)):
        if level is None or one.length_ms > level.length_ms:
            continue
        upto = min(end, through[one.table])
        if begin < upto:
            yield from connection.execute(
                query.format(table=one.table),
                {"key": key, "begin": begin, "end": upto, "width": width, "step": one.length_ms},
            )
            begin = max(begin, through[one.table])
    if level is not None:
        begin = max(begin, through[MINUTES.table])
        end = min(end, begin + _TAIL_MS)
    for at_ms, series, value, flag, _ in values_between(connection.execute, begin, end):
        if series == key and value is not None and not flag:
            yield at_ms, 1, value, value, value


_SUMS = (
    "SELECT min(start_ms), sum(n), min(low), max(high), sum(coalesce(total, 0.0)) FROM {table} "
    "WHERE series = :key AND start_ms >= :begin AND start_ms < :end "
)
_LONG = _SUMS + "GROUP BY (start_ms - :begin) / :width"
# Clustered by time: one look-up a minute costs a fraction of passing over all other series.
_MINUTE = (
    "WITH RECURSIVE clock(at) AS (SELECT :begin UNION ALL "
    "SELECT at + :step FROM clock WHERE at + :step < :end) "
    "SELECT min(start_ms), sum(n), min(low), max(high), sum(coalesce(total, 0.0)) "
    "FROM clock CROSS JOIN {table} ON start_ms = at AND series = :key "
    "GROUP BY (at - :begin) / :width"
)
