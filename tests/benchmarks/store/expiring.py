"""What the store writes a day once it is full: as many readings expire as come.

    python tests/benchmarks/store/expiring.py [--every 60 120 180]

Two meters of seven quantities at 1 Hz, more than a day of them first (1.7 million values), then two
hours counted up to a day, with expiry, roll-ups and checkpoints; /proc/self/io (Linux).
"""

from __future__ import annotations

import argparse
import random
import tempfile
from pathlib import Path

from writing import START_MS, Shared, second, written

from acquire.readings import Stamp
from acquire.store.ledger import Ledger
from acquire.store.rollups import Retention
from acquire.store.rows import ReadingRows, reading_rows

DAY_S = 86_400
MEASURED_S = 7200


def measure(every_s: int) -> str:
    chance = random.Random(7)
    minute = [[reading_rows(one) for one in second(n, chance)] for n in range(60)]

    def said(n: int) -> list[ReadingRows]:
        later = n - n % 60
        return [
            ReadingRows(
                one.meter,
                Stamp(one.stamp.at_ms + later * 1000, one.stamp.mono_ns + later * 10**9),
                one.cells,
            )
            for one in minute[n % 60]
        ]

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "water.db"
        ledger = Ledger(path, Stamp(START_MS, 0), retention=Retention(raw_days=1))
        first = 2 * DAY_S - START_MS // 1000 % DAY_S + 180
        for begin in range(0, first, 600):
            ledger.commit([one for n in range(begin, begin + 600) for one in said(n)])
        ledger.close(Stamp(START_MS, 0))
        ledger = Ledger(path, Stamp(START_MS, 0), retention=Retention(raw_days=1))
        shared = Shared(path)
        before, size = written(), path.stat().st_size
        begin = first - first % 600 + 600
        for start in range(begin, begin + MEASURED_S, every_s):
            ledger.commit([one for n in range(start, start + every_s) for one in said(n)])
            if (start - begin) % 30 < every_s:
                shared.sync()
        shared.close()
        ledger.close(Stamp(START_MS, 0))
        after = written()
        a_day = DAY_S / MEASURED_S / 1e6
        return (
            f"{every_s:>6} s {ledger.wal_bytes * a_day:>9.0f} "
            f"{(after[0] - before[0]) * a_day:>9.0f} {(after[1] - before[1]) * a_day:>9.0f} "
            f"{(path.stat().st_size - size) * a_day:>9.1f}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every", type=int, nargs="+", default=[10, 60, 120, 180, 600])
    args = parser.parse_args()
    print("MB a day; readings expire as fast as they come\n")
    print("  every       log   written    device    growth")
    for every_s in args.every:
        print(measure(every_s), flush=True)


if __name__ == "__main__":
    main()
