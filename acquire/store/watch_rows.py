"""Draws, alerts and changed parts of a watch as rows, there and back."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import astuple
from typing import Any

from acquire.errors import StoreError
from acquire.store.rows import clean
from acquire.watch.draws import Draw
from acquire.watch.kept import Acknowledged, Alert, Cleared, KeptDraw, Replaced, Restored

__all__ = [
    "ALERT_QUERY",
    "DRAW_QUERY",
    "REPLACED_QUERY",
    "WatchItem",
    "alert_of",
    "draw_of",
    "keep_watched",
]

WatchItem = KeptDraw | Alert | Cleared | Acknowledged | Replaced | Restored

_DRAW = (
    "started_ms, ended_ms, stood_s, litres, value, u, temp_c, peak, middle, n, flagged, "
    "different, scatter, temp_jump, reason"
)
_HELD = "feed, feed_u, feed_ms, passage, passage_u, margin"
DRAW_QUERY = (
    f"SELECT watch, {_DRAW}, {_HELD} FROM draws WHERE watch = ? AND started_ms >= ? "  # noqa: S608 - constants
    "ORDER BY started_ms"
)
ALERT_QUERY = (
    "SELECT id, watch, kind, raised_ms, text, acknowledged_ms, cleared_ms, cleared_text "
    "FROM alerts ORDER BY raised_ms, id"
)
REPLACED_QUERY = "SELECT watch, part, at_ms FROM parts_changed WHERE watch = ? ORDER BY at_ms, id"

Execute = Callable[..., sqlite3.Cursor]


def keep_watched(execute: Execute, item: WatchItem) -> None:
    """Write one of them; StoreError where what it is about is not there."""
    match item:
        case KeptDraw():
            marks = ", ".join("?" * 22)
            execute(
                f"INSERT OR REPLACE INTO draws (watch, {_DRAW}, {_HELD}) VALUES ({marks})",  # noqa: S608 - constants
                (
                    clean(item.watch),
                    *(_plain(value) for value in astuple(item.draw)),
                    *(_plain(value) for value in astuple(item)[2:]),
                ),
            )
        case Alert():
            execute(
                "INSERT INTO alerts (id, watch, kind, raised_ms, text) VALUES (?, ?, ?, ?, ?)",
                (item.id, clean(item.watch), item.kind, item.raised_ms, clean(item.text)),
            )
        case Cleared():
            done = execute(
                "UPDATE alerts SET cleared_ms = ?, cleared_text = ? "
                "WHERE id = ? AND cleared_ms IS NULL",
                (item.at_ms, clean(item.text), item.id),
            )
            _require(done, item.id)
        case Acknowledged():
            done = execute(
                "UPDATE alerts SET acknowledged_ms = coalesce(acknowledged_ms, ?) WHERE id = ?",
                (item.at_ms, item.id),
            )
            _require(done, item.id)
        case Replaced():
            execute(
                "INSERT INTO parts_changed (watch, part, at_ms) VALUES (?, ?, ?)",
                (clean(item.watch), clean(item.part), item.at_ms),
            )
        case Restored():
            done = execute(
                "DELETE FROM parts_changed WHERE watch = ? AND part = ? AND at_ms = ?",
                (clean(item.watch), clean(item.part), item.at_ms),
            )
            if done.rowcount == 0:
                raise StoreError(f"{item.watch}: that change of the {item.part} is not there")
            # What the change ended holds again, unless it was raised anew since.
            execute(
                "UPDATE alerts SET cleared_ms = NULL, cleared_text = '' "
                "WHERE watch = ? AND cleared_ms = ? AND NOT EXISTS (SELECT 1 FROM alerts AS other "
                "WHERE other.watch = alerts.watch AND other.kind = alerts.kind "
                "AND other.cleared_ms IS NULL)",
                (clean(item.watch), item.at_ms),
            )


def _require(done: sqlite3.Cursor, key: str) -> None:
    if done.rowcount == 0:
        raise StoreError(f"no such alert: {key!r}; `ouzel watch status` lists them")


def draw_of(row: Sequence[Any]) -> KeptDraw:
    """Read a draw back."""
    watch, *said = row
    draw = list(said[:15])
    draw[2] = math.inf if draw[2] is None else draw[2]
    draw[5] = math.inf if draw[5] is None else draw[5]
    return KeptDraw(watch, Draw(*draw), *said[15:])


def alert_of(row: Sequence[Any]) -> Alert:
    return Alert(*row)


def _plain(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return clean(value) if isinstance(value, str) else value
