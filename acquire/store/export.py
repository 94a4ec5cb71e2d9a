"""Records as comma-separated values (RFC 4180): one row a value, streamed.

Text that people typed can be a formula to a spreadsheet; such cells get an apostrophe before them.
A line break or a character that cannot be seen would tear a table apart: the first becomes a space,
the second a replacement character. Numbers stay numbers.
"""

from __future__ import annotations

import csv
import json
import math
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TextIO

from acquire.readings import Capture, Event, Reading, utc_text
from acquire.store.records import Records, Units

__all__ = [
    "CAPTURE_COLUMNS",
    "EVENT_COLUMNS",
    "READING_COLUMNS",
    "TIMES",
    "Value",
    "capture_cells",
    "capture_values",
    "event_cells",
    "event_values",
    "harmless",
    "one_line",
    "reading_cells",
    "reading_values",
    "to_cells",
    "write_captures",
    "write_events",
    "write_readings",
]

Cell = str | float
Value = str | float | None
"""Text, a number, UTC milliseconds in a column of `TIMES`; None where there is nothing."""
Progress = Callable[[int], None]

READING_COLUMNS = ("time", "meter", "quantity", "value", "unit", "flag")
CAPTURE_COLUMNS = (
    "id",
    "taken",
    "started",
    "meter",
    "water",
    "role",
    "state",
    "quantity",
    "value",
    "expanded_u",
    "unit",
    "phase",
    "source",
    "method",
    "drift_per_min",
    "settled_after_s",
    "reason",
)

EVENT_COLUMNS = ("time", "kind", "meter", "text", "data")
TIMES = frozenset({"time", "taken", "started", "first", "last", "began", "ended"})

_UNSEEN = re.compile("[\\x00-\\x1f\\x7f-\\x9f\\u2028-\\u202e\\u2066-\\u2069]")
"""Control characters, separators of lines, and what turns the direction of writing round."""
_FORMULA = ("=", "+", "-", "@")
_PROGRESS_ROWS = 1000


def one_line(text: str) -> str:
    """Give text without line breaks and control characters; nothing that can be read is lost."""
    if text.isprintable():
        return text
    return _UNSEEN.sub(lambda found: " " if found[0].isspace() else "\ufffd", text)


def harmless(text: str) -> str:
    """Give text no spreadsheet runs when it opens a file of comma-separated values."""
    line = one_line(text)
    return "'" + line if line.lstrip().startswith(_FORMULA) else line


def to_cells(columns: Sequence[str], rows: Iterable[Sequence[Value]]) -> Iterator[tuple[Cell, ...]]:
    """Write values as cells: times in ISO 8601, text harmless, no cell for what is not known."""
    is_time = [name in TIMES for name in columns]
    for row in rows:
        yield tuple(_cell(value, time) for value, time in zip(row, is_time, strict=True))


def _cell(value: Value, is_time: bool) -> Cell:
    if value is None:
        return ""
    if isinstance(value, str):
        return harmless(value)
    if is_time:
        return utc_text(int(value))
    return value if math.isfinite(value) else ""


def reading_values(readings: Iterable[tuple[Reading, Units]]) -> Iterator[tuple[Value, ...]]:
    """Give one row a value, or a flag that stands for one, in the unit it was read in."""
    for reading, units in readings:
        for quantity in dict.fromkeys((*reading.values, *reading.flags)):
            flag = reading.flags.get(quantity)
            yield (
                reading.stamp.at_ms,
                reading.meter,
                quantity,
                reading.values.get(quantity),
                units.get(quantity, ""),
                "" if flag is None else flag.value,
            )


def capture_values(captures: Iterable[tuple[Capture, Units]]) -> Iterator[tuple[Value, ...]]:
    """Give one row a value, the meter's own before those derived from them (`source`, `method`).

    A capture without any gets one row that says why.
    """
    for capture, units in captures:
        head: tuple[Value, ...] = (
            capture.id,
            capture.taken.at_ms,
            capture.started.at_ms,
            capture.meter,
            capture.water,
            "" if capture.role is None else capture.role.value,
            capture.state.value,
        )
        for value in (*capture.values.values(), *capture.derived.values()):
            yield (
                *head,
                value.quantity,
                value.value,
                value.expanded_u,
                units.get(value.quantity, ""),
                value.phase,
                value.source,
                value.method,
                value.drift_per_min,
                value.settled_after_s,
                value.reason or capture.reason,
            )
        if not capture.values:
            yield (*head, *[None] * 9, capture.reason)


def event_values(events: Iterable[Event]) -> Iterator[tuple[Value, ...]]:
    """Give one row an event; its data as JSON."""
    for event in events:
        data = {name: value for name, value in event.data.items() if not _is_unknown(value)}
        yield (
            event.stamp.at_ms,
            event.kind,
            event.meter,
            event.text,
            json.dumps(data, ensure_ascii=False) if data else "",
        )


def reading_cells(readings: Iterable[tuple[Reading, Units]]) -> Iterator[tuple[Cell, ...]]:
    """Give `reading_values` as cells."""
    return to_cells(READING_COLUMNS, reading_values(readings))


def capture_cells(captures: Iterable[tuple[Capture, Units]]) -> Iterator[tuple[Cell, ...]]:
    """Give `capture_values` as cells."""
    return to_cells(CAPTURE_COLUMNS, capture_values(captures))


def event_cells(events: Iterable[Event]) -> Iterator[tuple[Cell, ...]]:
    """Give `event_values` as cells."""
    return to_cells(EVENT_COLUMNS, event_values(events))


def write_readings(
    records: Records,
    file: TextIO,
    *,
    since_ms: int = 0,
    until_ms: int | None = None,
    meter: str | None = None,
    quantities: Iterable[str] | None = None,
    progress: Progress | None = None,
) -> int:
    """Write readings in the order of time, one row a value; gives how many rows.

    `file` is open for text with newline="". `progress` hears the number of rows so far every
    thousand rows and at the end.
    """
    readings = records.readings_in_units(
        since_ms=since_ms, until_ms=until_ms, meter=meter, quantities=quantities
    )
    return _write(file, READING_COLUMNS, reading_cells(readings), progress)


def write_captures(
    records: Records,
    file: TextIO,
    *,
    since_ms: int = 0,
    until_ms: int | None = None,
    meter: str | None = None,
    water: str | None = None,
    progress: Progress | None = None,
) -> int:
    """Write captures as they stand now, newest first, one row a value: see `write_readings`."""
    captures = records.captures_in_units(
        since_ms=since_ms, until_ms=until_ms, meter=meter, water=water
    )
    return _write(file, CAPTURE_COLUMNS, capture_cells(captures), progress)


def write_events(
    records: Records,
    file: TextIO,
    *,
    since_ms: int = 0,
    until_ms: int | None = None,
    meter: str | None = None,
    progress: Progress | None = None,
) -> int:
    """Write events in the order of time, one row each: see `write_readings`."""
    events = records.events(since_ms=since_ms, until_ms=until_ms, meter=meter)
    return _write(file, EVENT_COLUMNS, event_cells(events), progress)


def _write(
    file: TextIO,
    columns: Iterable[str],
    rows: Iterable[tuple[Cell, ...]],
    progress: Progress | None,
) -> int:
    writer = csv.writer(file)
    writer.writerow(columns)
    count = 0
    for count, row in enumerate(rows, start=1):
        writer.writerow(row)
        if progress is not None and count % _PROGRESS_ROWS == 0:
            progress(count)
    if progress is not None:
        progress(count)
    return count


def _is_unknown(value: float | str) -> bool:
    return not isinstance(value, str) and not math.isfinite(value)
