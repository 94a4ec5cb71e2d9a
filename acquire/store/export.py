"""Records as comma-separated values (RFC 4180): one row a value, streamed.

Text that people typed can be a formula to a spreadsheet; such cells get an apostrophe before them.
Numbers stay numbers.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable, Iterable, Iterator
from typing import TextIO

from acquire.readings import Capture, Event, Reading, utc_text
from acquire.store.records import Records, Units

__all__ = [
    "CAPTURE_COLUMNS",
    "EVENT_COLUMNS",
    "READING_COLUMNS",
    "capture_cells",
    "event_cells",
    "reading_cells",
    "write_captures",
    "write_events",
    "write_readings",
]

Cell = str | float
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

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
_PROGRESS_ROWS = 1000


def reading_cells(readings: Iterable[tuple[Reading, Units]]) -> Iterator[tuple[Cell, ...]]:
    """Give one row a value, or a flag that stands for one, in the unit it was read in."""
    for reading, units in readings:
        time = utc_text(reading.stamp.at_ms)
        meter = _harmless(reading.meter)
        for quantity in dict.fromkeys((*reading.values, *reading.flags)):
            flag = reading.flags.get(quantity)
            yield (
                time,
                meter,
                _harmless(quantity),
                reading.values.get(quantity, ""),
                _harmless(units.get(quantity, "")),
                "" if flag is None else flag.value,
            )


def capture_cells(captures: Iterable[tuple[Capture, Units]]) -> Iterator[tuple[Cell, ...]]:
    """Give one row a value, the meter's own before those derived from them (`source`, `method`).

    A capture without any gets one row that says why.
    """
    for capture, units in captures:
        head = (
            _harmless(capture.id),
            utc_text(capture.taken.at_ms),
            utc_text(capture.started.at_ms),
            _harmless(capture.meter),
            _harmless(capture.water),
            "" if capture.role is None else capture.role.value,
            capture.state.value,
        )
        for value in (*capture.values.values(), *capture.derived.values()):
            yield (
                *head,
                _harmless(value.quantity),
                _number(value.value),
                _number(value.expanded_u),
                _harmless(units.get(value.quantity, "")),
                value.phase,
                value.source,
                _harmless(value.method),
                _number(value.drift_per_min),
                _number(value.settled_after_s),
                _harmless(value.reason or capture.reason),
            )
        if not capture.values:
            yield (*head, *[""] * 9, _harmless(capture.reason))


def event_cells(events: Iterable[Event]) -> Iterator[tuple[Cell, ...]]:
    """Give one row an event; its data as JSON."""
    for event in events:
        data = {name: value for name, value in event.data.items() if not _is_unknown(value)}
        yield (
            utc_text(event.stamp.at_ms),
            _harmless(event.kind),
            _harmless(event.meter),
            _harmless(event.text),
            json.dumps(data, ensure_ascii=False) if data else "",
        )


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


def _harmless(text: str) -> str:
    return "'" + text if text.startswith(_FORMULA) else text


def _number(value: float | None) -> Cell:
    """Leave the cell empty where there is no finite number."""
    return "" if value is None or not math.isfinite(value) else value


def _is_unknown(value: float | str) -> bool:
    return not isinstance(value, str) and not math.isfinite(value)
