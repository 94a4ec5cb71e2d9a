"""Checks and corrections between our dataclasses and the store's rows, and how they are kept."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from sqlite3 import Cursor
from typing import Any

from acquire.checks import Anchor, Check, StandingCorrection
from acquire.errors import StoreError
from acquire.store.rows import clean
from acquire.water.corrections import Correction

__all__ = [
    "CHECK_QUERY",
    "CORRECTION_QUERY",
    "CheckRow",
    "CorrectionRows",
    "UndoRow",
    "check_of",
    "check_row",
    "correction_rows",
    "corrections_of",
    "keep_check",
    "keep_correction",
    "undo_correction",
]

Execute = Callable[..., Cursor]

_COLUMNS = (
    "quantity, at_ms, solution, label, source, method, temp_c, temp_from, said, said_u, expected, "
    "expected_u, allowed, allowed_by, verdict, reason, corrected, corrected_u, resembles, opened"
)
_CHECK_COLUMNS = ", ".join(f"checks.{name}" for name in _COLUMNS.split(", "))
CHECK_QUERY = (
    f"SELECT captures.id, meters.name, {_CHECK_COLUMNS} FROM checks "  # noqa: S608 - constant
    "JOIN captures ON captures.key = checks.capture JOIN meters ON meters.id = captures.meter "
    "WHERE meters.name = coalesce(?, meters.name) AND captures.id = coalesce(?, captures.id) "
    "ORDER BY checks.at_ms, captures.key, checks.quantity"
)
CORRECTION_QUERY = (
    "SELECT corrections.id, corrections.meter, corrections.quantity, offset, gain, pivot, from_ms, "
    "undone_ms, said, expected, u, captures.id FROM corrections "
    "JOIN correction_anchors AS anchors ON anchors.correction = corrections.id "
    "LEFT JOIN captures ON captures.key = anchors.capture "
    "WHERE corrections.meter = coalesce(?, corrections.meter) ORDER BY corrections.id, position"
)


@dataclass(frozen=True, slots=True)
class CheckRow:
    """A check of a capture that is in the store."""

    capture_id: str
    row: tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class CorrectionRows:
    """A correction and what it goes through."""

    row: tuple[Any, ...]
    """meter, quantity, from_ms, offset, gain, pivot"""
    anchors: tuple[tuple[float, float, float, str], ...]


@dataclass(frozen=True, slots=True)
class UndoRow:
    """The correction that holds is to hold no longer."""

    meter: str
    quantity: str
    at_ms: int


def check_row(check: Check) -> CheckRow:
    numbers = (check.temp_c, check.said, check.said_u, check.expected, check.expected_u)
    if not all(map(math.isfinite, numbers)):
        raise StoreError(f"a check holds only finite numbers, found {numbers}")
    row = tuple(getattr(check, name) for name in _COLUMNS.split(", "))
    return CheckRow(
        clean(check.capture_id), tuple(clean(v) if isinstance(v, str) else v for v in row)
    )


def check_of(row: Sequence[Any]) -> Check:
    names = ("capture_id", "meter", *_COLUMNS.split(", "))
    return Check(**dict(zip(names, row, strict=True)))


def correction_rows(one: StandingCorrection) -> CorrectionRows:
    line = one.line
    return CorrectionRows(
        (clean(one.meter), clean(one.quantity), one.from_ms, line.offset, line.gain, line.pivot),
        tuple((a.said, a.expected, a.u, clean(a.capture_id)) for a in one.anchors),
    )


def corrections_of(rows: Iterable[Sequence[Any]]) -> list[StandingCorrection]:
    """Read corrections back, oldest first, from one row an anchor."""
    found: dict[int, StandingCorrection] = {}
    for key, meter, quantity, offset, gain, pivot, from_ms, undone_ms, *anchor in rows:
        said, expected, u, capture_id = anchor
        before = found[key].anchors if key in found else ()
        found[key] = StandingCorrection(
            meter,
            quantity,
            Correction(offset, gain, pivot),
            (*before, Anchor(said, expected, u, capture_id or "")),
            from_ms,
            undone_ms,
        )
    return list(found.values())


def keep_check(execute: Execute, said: CheckRow, unit: str) -> None:
    """Insert a check; another judgement of the same capture takes the place of the first."""
    key = _capture_key(execute, said.capture_id)
    names = f"capture, unit, {_COLUMNS}"
    marks = ", ".join("?" * len(names.split(", ")))
    execute(
        f"INSERT INTO checks ({names}) VALUES ({marks}) "  # noqa: S608 - constants
        "ON CONFLICT (capture, quantity) DO UPDATE SET "
        + ", ".join(f"{name} = excluded.{name}" for name in _COLUMNS.split(", ")[1:]),
        (key, unit, *said.row),
    )


def keep_correction(execute: Execute, said: CorrectionRows) -> None:
    ((key,),) = execute(
        "INSERT INTO corrections (meter, quantity, from_ms, offset, gain, pivot) "
        "VALUES (?, ?, ?, ?, ?, ?) RETURNING id",
        said.row,
    ).fetchall()
    for position, (value, expected, u, capture_id) in enumerate(said.anchors):
        capture = _capture_key(execute, capture_id) if capture_id else None
        execute(
            "INSERT INTO correction_anchors (correction, position, said, expected, u, capture, "
            "quantity) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (key, position, value, expected, u, capture, said.row[1]),
        )


def undo_correction(execute: Execute, said: UndoRow) -> None:
    """End the correction that holds; the one before it, if any, holds again."""
    undone = execute(
        "UPDATE corrections SET undone_ms = ? WHERE id = (SELECT max(id) FROM corrections "
        "WHERE meter = ? AND quantity = ? AND undone_ms IS NULL)",
        (said.at_ms, clean(said.meter), clean(said.quantity)),
    )
    if undone.rowcount == 0:
        raise StoreError(f"no correction of {said.quantity} is in force for {said.meter}")


def _capture_key(execute: Execute, capture_id: str) -> int:
    found = execute("SELECT key FROM captures WHERE id = ?", (capture_id,)).fetchone()
    if found is None:
        raise StoreError(f"no capture {capture_id} is in the store")
    return int(found[0])
