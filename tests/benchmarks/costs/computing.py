"""What the detector and the whole pipeline cost a reading, in processor time of this process."""

from __future__ import annotations

import asyncio
import csv
import random
import sqlite3
import tempfile
import time
from collections import deque
from math import sqrt
from pathlib import Path

import serial

from acquire import config
from acquire.daemon import Daemon
from acquire.readings import Reading
from acquire.store import Records
from drivers.line import line_opener
from simulators.hand import find_script
from simulators.pty_front import PtyFront
from simulators.run import Rig
from simulators.speech import find_dialect
from simulators.waters import load_waters
from tests.benchmarks.costs.figure import Figure
from tests.benchmarks.costs.starts import least
from tests.conftest import FakeClock

WINDOW = 60
DAY_S = 86_400


def detector_us(values: list[float]) -> float:
    settings = config.load(None)
    channel = next(
        iter(config.meter("m", {"port": "/dev/x", "profile": "labelled"}).settings.meter.channels)
    )
    begun, count = time.process_time(), 0
    for _ in range(5):
        settler = settings.settler(channel)
        for t_s, value in enumerate(values):
            settler.update(float(t_s), value)
            count += 1
    return (time.process_time() - begun) / count * 1e6


def window_us(values: list[float]) -> float:
    """A moving-window standard deviation, by running sums: what many loggers call stable."""
    begun, count = time.process_time(), 0
    for _ in range(5):
        window: deque[float] = deque(maxlen=WINDOW)
        total = squares = 0.0
        for value in values:
            if len(window) == WINDOW:
                old = window[0]
                total -= old
                squares -= old * old
            window.append(value)
            total += value
            squares += value * value
            mean = total / len(window)
            sqrt(max(0.0, squares / len(window) - mean * mean)) < 0.01  # noqa: B015
            count += 1
    return (time.process_time() - begun) / count * 1e6


def detector() -> list[Figure]:
    chance = random.Random(3)
    values = [round(7.0 + 0.8 * 2 ** (-t / 25) + chance.gauss(0, 0.004), 2) for t in range(600)]
    ours, theirs = least(5, lambda: detector_us(values), lambda: window_us(values))
    return [Figure("detector, an update", ours, "µs", "moving-window deviation", theirs)]


# -- a day -------------------------------------------------------------------------------------


def spoken(seconds: int) -> list[bytes]:
    """What a meter says in that long: three waters, then air, round and round; 1 Hz, 7 quantities."""
    script = find_script("household")
    rig = Rig.drawn("bench", script, load_waters(), start_s=0.0)
    encode = find_dialect("labelled").encode
    length = round(script.length_s) + 600
    one = [encode(rig.display(float(t))) for t in range(min(seconds, length))]
    return [one[t % len(one)] for t in range(seconds)]


class Fast:
    """A line that has the next second's words at once, and lets that second pass."""

    def __init__(self, lines: list[bytes], clock: FakeClock) -> None:
        self._lines, self._clock = lines, clock
        self.over = asyncio.Event()

    async def read(self) -> bytes:
        if not self._lines:
            self.over.set()
            await asyncio.Event().wait()
        self._clock._mono_s += 1.0
        self._clock._at_ms += 1000
        self._clock._wake()
        return self._lines.pop()

    def reset_input(self) -> int:
        return 0

    async def write(self, data: bytes) -> None: ...

    async def close(self) -> None: ...


async def pipeline_s(lines: list[bytes], store: Path) -> tuple[float, list[Reading]]:
    """From bytes to the store and the last capture, by the daemon itself."""
    clock = FakeClock()
    line = Fast(lines[::-1], clock)

    async def open_line(*_: object) -> Fast:
        return line

    line_opener.set(open_line)
    settings = config.load(None)
    meter = config.meter("bench", {"profile": "labelled", "port": "tcp://127.0.0.1:1"})
    works = Daemon(settings, [meter], clock, store=store)
    begun = time.process_time()
    running = asyncio.create_task(works.run())
    await line.over.wait()
    works.stop()
    await running
    return time.process_time() - begun, []


def rows_of(store: Path) -> list[tuple[int, int, float]]:
    with sqlite3.connect(store) as connection:
        return connection.execute("SELECT at_ms, series, value FROM readings").fetchall()


def executemany_s(rows: list[tuple[int, int, float]], path: Path) -> float:
    """The same rows into the same shape of table, committed as often, and nothing else."""
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute(
        "CREATE TABLE readings (at_ms INTEGER, series INTEGER, value REAL, "
        "PRIMARY KEY (at_ms, series)) WITHOUT ROWID"
    )
    begun = time.process_time()
    for at in range(0, len(rows), 70):
        connection.execute("BEGIN")
        connection.executemany("INSERT INTO readings VALUES (?, ?, ?)", rows[at : at + 70])
        connection.execute("COMMIT")
    took = time.process_time() - begun
    connection.close()
    return took


def csv_s(lines: list[bytes], path: Path) -> float:
    """A plain loop with pyserial and csv over a pseudo-terminal, as one writes it in ten minutes."""
    front = PtyFront()
    front.plug()
    port = serial.Serial(front.path, 9600)
    begun = time.process_time()
    sending = 0.0
    with path.open("w", newline="") as file:
        out = csv.writer(file)
        for line in lines:
            before = time.process_time()
            front.send(line)
            sending += time.process_time() - before
            fields = port.readline().decode().strip().split(",")
            out.writerow([time.time(), *(float(f.split()[1]) for f in fields if number(f))])
            file.flush()
    took = time.process_time() - begun - sending
    port.close()
    front.unplug()
    return took


def number(field: str) -> bool:
    try:
        float(field.split()[1])
    except (ValueError, IndexError):
        return False
    return True


def pipeline(seconds: int) -> list[Figure]:
    lines = spoken(seconds)
    few = lines[: max(2000, seconds // 10)]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        ours, _ = asyncio.run(pipeline_s(lines, folder / "water.db"))
        with Records.open(folder / "water.db") as records:
            captures = sum(1 for _ in records.captures())
        if not captures:
            raise RuntimeError("the pipeline took no capture: it did not do its work")
        rows = rows_of(folder / "water.db")
        raw = executemany_s(rows, folder / "raw.db")
        loop = csv_s(few, folder / "loop.csv") / len(few) * len(lines)
    scale = DAY_S / seconds
    return [
        Figure(
            "pipeline, a day of 1 Hz × 7",
            ours * scale,
            "s CPU",
            "executemany of its rows",
            raw * scale,
        ),
        Figure(
            "pipeline, a day, loop", ours * scale, "s CPU", "pyserial and csv alone", loop * scale
        ),
    ]


def measure(quick: bool) -> list[Figure]:
    return [*detector(), *pipeline(7200 if quick else DAY_S)]
