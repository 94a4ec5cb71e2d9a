"""How the cost grows: with meters, and with what is in the store. The exponent is fitted on logarithms."""

from __future__ import annotations

import random
import sqlite3
import tempfile
import time
from contextlib import closing
from math import log
from pathlib import Path

from acquire import config
from acquire.bench.desk import Desk
from acquire.bench.taker import CaptureTaker
from acquire.daemon import new_id
from acquire.readings import Channel, Reading, Stamp
from acquire.store.ledger import Ledger
from acquire.store.records import Records
from acquire.store.rows import reading_rows
from tests.benchmarks.costs.figure import Figure
from tests.benchmarks.costs.starts import least

START_MS = 1_790_000_000_000
HOUR_MS = 3_600_000
QUANTITIES = ("ph", "orp", "conductivity", "tds", "salinity", "specific_gravity", "temperature")


def exponent(sizes: list[float], costs: list[float]) -> float:
    """The slope of log cost over log size by least squares."""
    x, y = [log(s) for s in sizes], [log(c) for c in costs]
    mx, my = sum(x) / len(x), sum(y) / len(y)
    return sum((a - mx) * (b - my) for a, b in zip(x, y, strict=True)) / sum(
        (a - mx) ** 2 for a in x
    )


def meters_s(count: int, seconds: int, folder: Path) -> float:
    """Processor time to judge and record so many meters for so long, commits each ten seconds."""
    settings = config.load(None)
    channels = tuple(Channel(name, 0.01) for name in QUANTITIES)
    desks = []
    for number in range(count):
        name = f"m{number}"
        taker = CaptureTaker(
            name, channels, settings.settler, settings.tolerance, new_id=new_id, timeout_s=900.0
        )
        desks.append(Desk(name, channels, taker, []))
    ledger = Ledger(folder / f"{count}-{time.monotonic_ns()}.db", Stamp(START_MS, 10**12))
    chance = random.Random(1)
    waiting = []
    begun = time.process_time()
    for second in range(seconds):
        for number, desk in enumerate(desks):
            stamp = Stamp(START_MS + second * 1000 + number, 10**12 + second * 10**9)
            values = dict.fromkeys(QUANTITIES, 7.0) | {
                "conductivity": 512 + chance.choice((0, 0.01))
            }
            reading = Reading(f"m{number}", stamp, values)
            waiting.append(reading_rows(reading))
            desk.update(reading)
        if second % 10 == 9:
            ledger.commit(waiting)
            waiting.clear()
    took = time.process_time() - begun
    ledger.close(Stamp(START_MS, 10**12))
    return took


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
    from acquire.store.tally import Tally

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


def measure(quick: bool, rows: list[int]) -> list[Figure]:
    figures = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        counts = [1, 4, 16] if quick else [1, 4, 16, 64]
        costs = [least(3, lambda c=c: meters_s(c, 120, folder))[0] for c in counts]
        for count, cost in zip(counts[1:], costs[1:], strict=True):
            figures.append(
                Figure(
                    f"{count} meters, a second of each",
                    cost / 120 * 1e3,
                    "ms CPU",
                    "one meter",
                    costs[0] / 120 * 1e3,
                )
            )
        power = exponent([float(c) for c in counts], costs)
        figures.append(Figure("growth with meters, exponent", power, "", "in step", 1.0, 1.1))
        charts = []
        for count in rows:
            path = folder / f"{count}.db"
            fill(path, count)
            chart, scan = least(
                1 if count > 2_000_000 else 3, lambda p=path: chart_ms(p), lambda p=path: scan_ms(p)
            )
            charts.append(chart)
            label = f"{count / 1e6:g} million rows"
            figures.append(
                Figure(f"chart of a year, {label}", chart, "ms CPU", "a full scan", scan)
            )
            path.unlink()
        if len(rows) > 1:
            power = exponent([float(r) for r in rows], charts)
            figures.append(
                Figure(
                    "growth of the chart with rows, exponent",
                    power + 1,
                    "+ 1",
                    "no growth",
                    1.0,
                    1.2,
                )
            )
    return figures
