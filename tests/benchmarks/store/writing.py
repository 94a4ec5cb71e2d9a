"""What the store costs: bytes written to the disk a day, bytes kept a reading, time.

    python tests/benchmarks/store/writing.py [--hours 1] [--every 10 60] [--real MINUTES]

Two simulated meters say seven quantities a second each; nobody waits for the clock. "written" is
what the process handed to the system in write calls (log, checkpoints and all), "device" what the
system then sent towards the disk in its own blocks; both are read from /proc/self/io (Linux). The
memory that readers and writer share (`-shm`) is written by the system itself, half a minute after it
was touched: here it is synced every 30 s of the readings' time instead, which counts the same.

`--real 20` (or OUZEL_REAL_MINUTES=20) does wait for the clock, so many minutes after ten to fifteen
in which the files of the tail come to their length, and syncs nothing that the store does not: what
the system writes on its own is then its own doing.
"""

from __future__ import annotations

import argparse
import asyncio
import itertools
import math
import os
import random
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from acquire.clock import SystemClock
from acquire.readings import Reading, Stamp
from acquire.store import StoreWriter
from acquire.store.ledger import Ledger
from acquire.store.packer import GATHER_MS
from acquire.store.records import Records
from acquire.store.rollups import Retention
from acquire.store.rows import reading_rows

START_MS = 1_790_000_000_000
STEPS = {  # middle, noise, decimals: a tap water at rest on a display
    "ph": (7.2, 0.01, 2),
    "orp": (315.0, 1.5, 0),
    "conductivity": (512.0, 1.0, 0),
    "tds": (256.0, 0.7, 0),
    "salinity": (0.3, 0.01, 1),
    "specific_gravity": (1.0, 0.0005, 3),
    "temperature": (14.6, 0.05, 1),
}


def second(n: int, chance: random.Random) -> Iterator[Reading]:
    for meter, phase_ms in (("feed", 317), ("product", 711)):
        ms = n * 1000 + phase_ms + chance.randrange(40)
        values = {
            name: round(chance.gauss(middle, noise), digits)
            for name, (middle, noise, digits) in STEPS.items()
        }
        yield Reading(meter, Stamp(START_MS + ms, ms * 1_000_000), values)


def written() -> tuple[int, int]:
    try:
        lines = Path("/proc/self/io").read_text("ascii").splitlines()
    except OSError:
        return 0, 0
    counted = dict(line.split(": ") for line in lines)
    return int(counted["wchar"]), int(counted["write_bytes"])


class Shared:
    """The memory shared by readers and writer, written as the system would."""

    def __init__(self, store: Path) -> None:
        self._descriptor = os.open(store.with_name(store.name + "-shm"), os.O_RDONLY)

    def sync(self) -> None:
        os.fsync(self._descriptor)

    def close(self) -> None:
        os.close(self._descriptor)


def measure(hours: float, every_s: int) -> str:
    chance = random.Random(7)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "water.db"
        ledger = Ledger(path, Stamp(START_MS, 0))
        shared = Shared(path)
        shared.sync()
        empty, before, began = path.stat().st_size, written(), time.process_time()
        batch: list[Reading] = []
        for n in range(round(hours * 3600)):
            batch += second(n, chance)
            if n % every_s == every_s - 1:
                ledger.commit([reading_rows(reading) for reading in batch])
                batch.clear()
            if n % 30 == 29:
                shared.sync()
        shared.close()
        ledger.close(Stamp(START_MS + round(hours * 3.6e6), 0))
        after, took_s = written(), time.process_time() - began
        size = path.stat().st_size - empty
        a_day = 24 / hours / 1e6
        with Records.open(path) as records:
            started = time.perf_counter()
            count = sum(1 for _ in records.readings())
            read_s = time.perf_counter() - started
        return (
            f"{every_s:>8} s {ledger.wal_bytes * a_day:>9.0f} {(after[0] - before[0]) * a_day:>9.0f} "
            f"{(after[1] - before[1]) * a_day:>9.0f} {size * a_day:>9.1f} "
            f"{size / ledger.rows:>9.1f} {took_s / hours / 36:>9.3f} {count / read_s:>11,.0f}"
        )


async def measure_real(minutes: int) -> str:
    """Write at the pace of the clock, with everything at its default."""
    clock, chance = SystemClock(), random.Random(7)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "water.db"
        writer = await StoreWriter.open(path, clock=clock, retention=Retention())
        # From between two gatherings of the tail to between two others: whole ones. Before that two,
        # in which its files come to the length that they keep.
        cycle_s, now_s = GATHER_MS / 1000, time.time()
        warm_s = now_s + 2 * cycle_s
        begin_s = warm_s + (cycle_s / 2 - warm_s) % cycle_s
        end_s = begin_s + -(-minutes * 60 // cycle_s) * cycle_s
        before = None
        for n in itertools.count():
            if before is None and time.time() >= begin_s:
                before = written()
            if before is not None and time.time() >= end_s:
                break
            for reading in second(n, chance):
                await writer.add(Reading(reading.meter, clock.now(), reading.values))
                await asyncio.sleep(0.2)
            await asyncio.sleep(max(0.0, now_s + n + 1 - time.time()))
        after, stats = written(), writer.stats
        await writer.close()
        closed = written()
    assert before is not None
    a_day = 86_400 / (end_s - begin_s) / 1e6
    return (
        f"{(end_s - begin_s) / 60:.0f} real minutes, {stats.readings} readings, "
        f"{stats.commits} commits\n"
        f"  written {(after[0] - before[0]) * a_day:.1f} MB/day, "
        f"device {(after[1] - before[1]) * a_day:.1f} MB/day\n"
        f"  with the end, which moves the whole log into the file at once: written "
        f"{(closed[0] - before[0]) * a_day:.1f}, device {(closed[1] - before[1]) * a_day:.1f} MB/day"
    )


def rows_a_second(batch: int) -> str:
    chance = random.Random(7)
    said = [reading for n in range(20_000 // 2) for reading in second(n, chance)]
    said = said[: max(batch * 200 // 7, 1)] if batch < 1000 else said
    with tempfile.TemporaryDirectory() as folder:
        ledger = Ledger(Path(folder) / "water.db", Stamp(START_MS, 0))
        size = max(1, batch // 7)
        started = time.perf_counter()
        for first in range(0, len(said), size):
            ledger.commit([reading_rows(reading) for reading in said[first : first + size]])
        took_s = time.perf_counter() - started
        ledger.close(Stamp(START_MS, 0))
        return f"{size * 7:>8} rows a commit: {ledger.rows / took_s:>9,.0f} rows/s"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=1.0)
    parser.add_argument("--every", type=int, nargs="+", default=[1, 10, 30, 60, 600])
    real = float(os.environ.get("OUZEL_REAL_MINUTES", "0"))
    parser.add_argument("--real", type=float, metavar="MINUTES", default=real)
    args = parser.parse_args()
    if args.real > 0:
        print(asyncio.run(measure_real(math.ceil(args.real))))
        return
    print(f"two meters, seven quantities, 1 Hz, {args.hours:g} h counted up to a day\n")
    print("  commit      log   written    device    growth     bytes       CPU    readings")
    print("   every   MB/day    MB/day    MB/day    MB/day   a value       per cent  read/s")
    for every_s in args.every:
        print(measure(args.hours, every_s), flush=True)
    print()
    for batch in (7, 140, 1400, 14_000):
        print(rows_a_second(batch), flush=True)


if __name__ == "__main__":
    main()
