"""Reads an exported file of readings again, so that what happened can be looked at anew.

The inverse of `export.write_readings`: one row a value, rows of one time and meter together are one
reading. The monotonic clock is not in the file, so UTC stands in for it.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from itertools import groupby
from pathlib import Path

from acquire.errors import ConfigError
from acquire.readings import Channel, Flag, Reading, Stamp
from acquire.store.export import READING_COLUMNS

__all__ = ["channels_of", "read_csv"]

Row = Mapping[str, str]


def read_csv(path: Path) -> Iterator[Reading]:
    """Give the readings in the file's order; ConfigError names file, line and what is wrong."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            table = csv.DictReader(file)
            missing = set(READING_COLUMNS) - {"unit", "flag"} - set(table.fieldnames or ())
            if missing:
                raise ConfigError(
                    "not an export of readings: columns are missing",
                    file=path,
                    found=", ".join(table.fieldnames or ()),
                    allowed=", ".join(READING_COLUMNS),
                )
            numbered = ((table.line_num, row) for row in table)
            for (time, meter), rows in groupby(
                numbered, key=lambda item: (item[1]["time"], item[1]["meter"])
            ):
                yield _reading(path, time, meter, rows)
    except FileNotFoundError as error:
        raise ConfigError("no such file", file=path) from error
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ConfigError(f"cannot be read: {error}", file=path) from error


def channels_of(readings: Iterable[Reading]) -> list[Channel]:
    """Guess what the meter measures: quantities seen, and the display's steps from their decimals.

    What a meter computes from conductivity is not waited for, and conductivity is taken as
    compensated to 25 °C already, as with the shipped profiles: the file does not say, and to
    compensate twice would be worse than not at all.
    """
    steps: dict[str, float] = {}
    for reading in readings:
        for quantity, value in reading.values.items():
            decimals = len(f"{value:.9g}".partition(".")[2].partition("e")[0])
            steps[quantity] = min(steps.get(quantity, 1.0), 10.0**-decimals)
    computed = {"tds", "salinity", "specific_gravity"} if "conductivity" in steps else set()
    return [
        Channel(
            quantity,
            step,
            follows="conductivity" if quantity in computed else None,
            reference_c=25.0 if quantity == "conductivity" else None,
        )
        for quantity, step in steps.items()
    ]


def _reading(path: Path, time: str, meter: str, rows: Iterable[tuple[int, Row]]) -> Reading:
    values: dict[str, float] = {}
    flags: dict[str, Flag] = {}
    line = 0
    try:
        for line, row in rows:  # noqa: B007  (the line is for the error below)
            if row["value"]:
                values[row["quantity"]] = _finite(row["value"])
            if row.get("flag"):
                flags[row["quantity"]] = Flag(row["flag"])
        at_ms = _utc_ms(time)
    except (ValueError, TypeError, OverflowError) as error:
        raise ConfigError(f"line {line}: cannot be understood: {error}", file=path) from error
    return Reading(meter, Stamp(at_ms, at_ms * 1_000_000), values, flags)


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text} is no finite number")
    return value


def _utc_ms(text: str) -> int:
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(f"{text} is a time without its offset from UTC")
    return round(moment.timestamp() * 1000)
