"""How the cost grows with meters; with what is in the store, rows.py says."""

from __future__ import annotations

import random
import tempfile
import time
from pathlib import Path

from acquire import config
from acquire.bench.desk import Desk
from acquire.bench.taker import CaptureTaker
from acquire.daemon import new_id
from acquire.readings import Channel, Reading, Stamp
from acquire.store.ledger import Ledger
from acquire.store.rows import reading_rows
from tests.benchmarks.costs import rows
from tests.benchmarks.costs.figure import Figure, exponent
from tests.benchmarks.costs.starts import least

START_MS = 1_790_000_000_000
QUANTITIES = ("ph", "orp", "conductivity", "tds", "salinity", "specific_gravity", "temperature")


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


def measure(quick: bool, sizes: list[int]) -> list[Figure]:
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
        figures += rows.measure(sizes, folder)
    return figures
