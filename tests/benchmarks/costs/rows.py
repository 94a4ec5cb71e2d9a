"""What the rows already kept cost: a chart, a batch written and a start, at one size after another."""

from __future__ import annotations

import itertools
import sqlite3
import sys
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from acquire.readings import Reading, Stamp
from acquire.store.ledger import Ledger
from acquire.store.records import Records
from acquire.store.rows import reading_rows
from acquire.store.tally import Tally
from tests.benchmarks.costs.figure import Figure, exponent
from tests.benchmarks.costs.starts import least

START_MS = 1_790_000_000_000
HOUR_MS = 3_600_000

BLOCK_S = 50_000


def fill(path: Path, rows: int) -> None:
    """So many values of two series of one meter, a second apart, with the hours of a year beside.

    One block is written as the writer writes; the others are its rows again, earlier in time.
    """
    ledger = Ledger(path, Stamp(START_MS, 0))
    for begin in range(0, BLOCK_S, 10):
        stamps = [Stamp(START_MS + n * 1000, n * 10**9) for n in range(begin, begin + 10)]
        said = [{"ph": 7 + at.at_ms // 1000 % 5 / 100, "orp": 300.0} for at in stamps]
        pairs = zip(stamps, said, strict=True)
        ledger.commit([reading_rows(Reading("m", at, values)) for at, values in pairs])
    ledger.close(Stamp(START_MS, 0))
    with closing(sqlite3.connect(path)) as connection:
        keys = [key for (key,) in connection.execute("SELECT id FROM series ORDER BY id")]
        first_ms = START_MS - START_MS % HOUR_MS - 366 * 24 * HOUR_MS
        marks = ", ".join("?" * 12)
        for table, step in (("hours", HOUR_MS), ("days", 24 * HOUR_MS)):
            names = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
            for at_ms in range(first_ms, first_ms + 366 * 24 * HOUR_MS, step):
                for key in keys:
                    row = rolled(names, at_ms, key)
                    connection.execute(f"INSERT OR IGNORE INTO {table} VALUES ({marks})", row)
        connection.execute("CREATE TEMP TABLE block AS SELECT * FROM packs")
        for number in range(1, rows // (2 * BLOCK_S)):
            connection.execute(
                "INSERT INTO packs SELECT key - ?, clock, series, scales, rows FROM block",
                (number * BLOCK_S * 1000 * 1024,),
            )
        connection.execute("UPDATE rolled SET through_ms = ?", (START_MS,))
        connection.commit()


def rolled(names: list[str], at_ms: int, key: int) -> tuple[object, ...]:
    tally = Tally()
    for n in range(20):
        tally.add(at_ms + n, 7.0 + n % 3 / 100)
    row = (at_ms, key, *tally.row())
    if len(row) != len(names):
        raise RuntimeError("the roll-ups have other columns than this benchmark writes")
    return row


def chart_ms(path: Path) -> float:
    begun = time.process_time()
    with Records.open(path) as records:
        span = records.span("m", "ph", since_ms=START_MS - 365 * 24 * HOUR_MS, until_ms=START_MS)
    if len(span.points) < 300:
        raise RuntimeError(f"the chart has {len(span.points)} points only")
    return (time.process_time() - begun) * 1e3


def scan_ms(path: Path) -> float:
    """The same picture from every reading there is."""
    begun = time.process_time()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(
            "SELECT at_ms / 31536000, min(value), max(value), avg(value) FROM readings "
            "WHERE series = 1 GROUP BY 1"
        ).fetchall()
    return (time.process_time() - begun) * 1e3


def start_ms(path: Path) -> float:
    """A writer opens the store, looks whether it is sound, and lets it go."""
    begun = time.process_time()
    Ledger(path, Stamp(START_MS + 2 * BLOCK_S * 1000, 0)).close(Stamp(START_MS, 0))
    return (time.process_time() - begun) * 1e3


BATCH = itertools.count(BLOCK_S // 5)
"""Later than all that was filled in, and each later than the one before."""


def batches_ms(path: Path, count: int = 30) -> float:
    """Ten seconds of two quantities into one transaction, the mean of so many after a first one."""
    ledger = Ledger(path, Stamp(START_MS + 2 * BLOCK_S * 1000, 0))
    spent = 0.0
    for number in range(count + 1):
        begin_s = 10 * next(BATCH)
        stamps = [Stamp(START_MS + n * 1000, n * 10**9) for n in range(begin_s, begin_s + 10)]
        readings = [Reading("m", at, {"ph": 7.01, "orp": 300.0}) for at in stamps]
        begun = time.process_time()
        ledger.commit([reading_rows(one) for one in readings])
        if number:  # the first also brings the roll-ups up to now
            spent += time.process_time() - begun
    ledger.close(Stamp(START_MS, 0))
    return spent / count * 1e3


COSTS: dict[str, Callable[[Path], float]] = {
    "chart of a year": chart_ms,
    "start of the writer": start_ms,
    "a batch of ten seconds": batches_ms,
}


def measure(sizes: list[int], folder: Path) -> list[Figure]:
    """Each cost at each size, beside the same picture from every reading, and how each grows."""
    figures: list[Figure] = []
    spent: dict[str, list[float]] = {name: [] for name in COSTS}
    for size in sizes:
        path = folder / f"{size}.db"
        label = f"{size / 1e6:g} million rows"
        begun = time.monotonic()
        fill(path, size)
        took_s, held_mb = time.monotonic() - begun, path.stat().st_size / 1e6
        print(f"  {label}: {held_mb:.0f} MB in {took_s:.0f} s", file=sys.stderr, flush=True)
        scan = scan_ms(path)
        for name, cost in COSTS.items():
            (least_ms,) = least(3, lambda p=path, c=cost: c(p))
            spent[name].append(least_ms)
            title = f"{name}, {label}"
            figures.append(Figure(title, least_ms, "ms CPU", "a full scan", scan))
        path.unlink()
    if len(sizes) > 1:
        span = f"{sizes[0] / 1e6:g} to {sizes[-1] / 1e6:g} million rows"
        for name, costs in spent.items():
            power = exponent([float(size) for size in sizes], costs)
            title = f"growth of {name}, exponent, {span}"
            figures.append(Figure(title, power, "", "no growth", 0.0, 0.2))
    return figures
