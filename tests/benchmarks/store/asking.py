"""How long a chart takes: any span of a year at 1 Hz, two meters of seven quantities.

    python tests/benchmarks/store/asking.py [--minutes 60]

A year of hours and days, `--minutes` days of minutes and a day of readings are written for all
fourteen series as the writer would have made them; then spans are asked for, each by a connection
of its own with nothing read before, and again.
"""

from __future__ import annotations

import argparse
import random
import sqlite3
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from writing import START_MS, STEPS, second

from acquire.readings import Stamp
from acquire.store.ledger import Ledger
from acquire.store.records import Records
from acquire.store.rows import reading_rows
from acquire.store.tally import Tally

DAY_MS = 86_400_000
NOW_MS = START_MS - START_MS % DAY_MS


def rows(length_ms: int, days: int, keys: list[int]) -> Iterator[tuple[object, ...]]:
    chance = random.Random(3)
    ready = []
    for _ in range(200):
        tally = Tally()
        for n in range(20):
            tally.add(n, round(chance.gauss(512, 3), 1))
        ready.append(tally.row())
    for at_ms in range(NOW_MS - days * DAY_MS, NOW_MS, length_ms):
        for key in keys:
            yield at_ms, key, *ready[(at_ms // length_ms + key) % 200]


def fill(path: Path, minute_days: int) -> None:
    ledger = Ledger(path, Stamp(NOW_MS, 0))
    chance = random.Random(7)
    first = (NOW_MS - DAY_MS - START_MS) // 1000
    for begin in range(first, first + 86_400, 600):
        said = [one for n in range(begin, begin + 600) for one in second(n, chance)]
        ledger.commit([reading_rows(one) for one in said])
    ledger.close(Stamp(NOW_MS, 0))
    connection = sqlite3.connect(path)
    keys = [key for (key,) in connection.execute("SELECT id FROM series")]
    for table in ("minutes", "hours", "days"):  # a year of them comes now
        connection.execute(f"DELETE FROM {table}")
    for table, length_ms, days in (
        ("minutes", 60_000, minute_days),
        ("hours", 3_600_000, 365),
        ("days", DAY_MS, 365),
    ):
        marks = ", ".join("?" * 12)
        connection.executemany(f"INSERT INTO {table} VALUES ({marks})", rows(length_ms, days, keys))
    connection.execute("UPDATE rolled SET through_ms = ?", (NOW_MS,))
    connection.commit()
    connection.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=int, default=60)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "water.db"
        fill(path, args.minutes)
        print(f"{len(STEPS) * 2} series, {path.stat().st_size / 1e6:.0f} MB\n")
        print("span        points   first ms   again ms")
        for name, length in (
            ("10 min", 600_000),
            ("30 min", 1_800_000),
            ("6 h", 6 * 3_600_000),
            ("1 day", DAY_MS),
            ("7 days", 7 * DAY_MS),
            ("10 days", 10 * DAY_MS),
            ("30 days", 30 * DAY_MS),
            ("90 days", 90 * DAY_MS),
            ("1 year", 365 * DAY_MS),
        ):
            took = []
            with Records.open(path) as records:
                for _ in range(4):
                    began = time.perf_counter()
                    span = records.span("product", "ph", since_ms=NOW_MS - length, until_ms=NOW_MS)
                    took.append((time.perf_counter() - began) * 1e3)
            print(f"{name:<10} {len(span.points):>7} {took[0]:>10.1f} {min(took[1:]):>10.1f}")


if __name__ == "__main__":
    main()
