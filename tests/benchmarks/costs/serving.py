"""What `ouzel serve` holds and spends with two meters at 1 Hz and everything outward on."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

from simulators.pty_front import PtyFront
from tests.benchmarks.costs.figure import Figure
from tests.benchmarks.costs.growth import exponent
from tests.benchmarks.costs.starts import installed, spent_ms
from tests.broker.conftest import MOSQUITTO, Mosquitto, free_port

SKELETON = """
import asyncio, os, sqlite3, sys
import aiomqtt, serial, pydantic

async def main(ports, broker):
    store = sqlite3.connect("skeleton.db", isolation_level=None)
    store.execute("PRAGMA journal_mode = WAL")
    store.execute("CREATE TABLE IF NOT EXISTS r (at REAL, meter INT, line TEXT)")
    rows, loop = [], asyncio.get_running_loop()
    newest = {}
    def read(meter, port):
        text = port.read(4096)
        newest[meter] = text
        rows.append((loop.time(), meter, text))
    for meter, name in enumerate(ports):
        port = serial.Serial(name, 9600, timeout=0)
        loop.add_reader(port.fileno(), read, meter, port)
    async with aiomqtt.Client("127.0.0.1", broker) as client:
        for second in range(10**6):
            await asyncio.sleep(1)
            for meter, text in list(newest.items()):
                await client.publish(f"skeleton/{meter}", text)
            if second % 10 == 9:
                store.execute("BEGIN")
                store.executemany("INSERT INTO r VALUES (?, ?, ?)", rows)
                store.execute("COMMIT")
                rows.clear()

asyncio.run(main(sys.argv[2:], int(sys.argv[1])))
"""
CONFIG = """
[store]
path = "water.db"
[page]
port = {page}
[mqtt]
host = "127.0.0.1"
port = {broker}
[mqtt.homie]
[metrics]
port = 0
[programs]
on_capture = ["true"]
[meters.feed]
profile = "labelled"
port = "{a}"
[meters.product]
profile = "labelled"
port = "{b}"
[watch.sink]
product = "product"
feed = "feed"
least_rejection_percent = 85
litres_a_day = 12
"""
MANY = """
[store]
path = "water.db"
[page]
port = {page}
[mqtt]
host = "127.0.0.1"
port = {broker}
topic = "many{count}"
client_id = "many{count}"
[mqtt.homie]
device = "many{count}"
[metrics]
port = 0
"""
OURS = [sys.executable, "-m", "acquire", "serve", "--json"]
DAY_S = 86_400


def used_s(pid: int) -> float:
    """Processor seconds so far, from the scheduler's own count (nanoseconds)."""
    total = 0
    for task in Path(f"/proc/{pid}/task").iterdir():
        total += int((task / "schedstat").read_text().split()[0])
    return total * 1e-9


def rss_mib(pid: int) -> float:
    return (
        int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20
    )


def written(pid: int) -> int:
    lines = Path(f"/proc/{pid}/io").read_text().splitlines()
    return int(dict(one.split(": ") for one in lines)["write_bytes"])


@contextmanager
def program(
    words: list[str], folder: Path, env: Mapping[str, str]
) -> Iterator[subprocess.Popen[bytes]]:
    with (folder / "log").open("a") as log:
        child = subprocess.Popen(words, cwd=folder, stdout=log, stderr=log, env=env)
        try:
            yield child
        finally:
            child.terminate()
            child.wait()


def measure(quick: bool) -> list[Figure]:
    if MOSQUITTO is None:
        return []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Mosquitto(folder / "broker").start()
        try:
            return [
                *two_meters(folder, broker.port, quick),
                *more_meters(folder, broker.port, quick),
            ]
        finally:
            broker.kill()


def two_meters(folder: Path, broker: int, quick: bool) -> list[Figure]:
    """Beside a skeleton that has as many meters, in the same seconds."""
    # Whole turns of the store's tail (five minutes), so that it counts as often as in a day; what
    # comes before them, a capture with its changes of mind, does not.
    settling, seconds = (8, 15) if quick else (150, 600)
    env = installed(folder)
    (folder / "skeleton.py").write_text(SKELETON)
    with plugged(folder, 4) as fronts:
        (folder / "ouzel.toml").write_text(
            CONFIG.format(page=free_port(), broker=broker, a=fronts[0].path, b=fronts[1].path)
        )
        bare = [sys.executable, "skeleton.py", str(broker), fronts[2].path, fronts[3].path]
        starts: dict[str, list[tuple[float, float]]] = {"ours": [], "bare": []}
        for _ in range(3 if quick else 7):
            for kind, words, mine in (("ours", OURS, fronts[:2]), ("bare", bare, fronts[2:])):
                with program(words, folder, env) as child:
                    starts[kind].append(opened(child, mine, folder))
        python_ms = min(spent_ms([sys.executable, "-c", "pass"], env) for _ in range(10))
        with program(OURS, folder, env) as daemon, program(bare, folder, env) as skeleton:
            both = (daemon, skeleton)
            for child, mine in zip(both, (fronts[:2], fronts[2:]), strict=True):
                opened(child, mine, folder)
            speak(fronts, settling)
            before = [(used_s(one.pid), written(one.pid)) for one in both]
            began = time.monotonic()
            speak(fronts, seconds)
            took = time.monotonic() - began
            after = [(used_s(one.pid), written(one.pid)) for one in both]
            memory = [rss_mib(one.pid) for one in both]
    cpu = [(b[0] - a[0]) / took * 100 for a, b in zip(before, after, strict=True)]
    disk = [(b[1] - a[1]) / took * DAY_S / 1e6 for a, b in zip(before, after, strict=True)]
    (ready_s, open_s), (_, bare_open_s) = (
        tuple(min(one) for one in zip(*starts[kind], strict=True)) for kind in ("ours", "bare")
    )
    return [
        Figure(
            "serve: memory", memory[0], "MiB", "a skeleton with the same libraries", memory[1], 60.0
        ),
        Figure("serve: processor", cpu[0], "% of a core", "that skeleton", cpu[1], 0.5),
        Figure("serve: to the device", disk[0], "MB a day", "that skeleton", disk[1], 100.0),
        Figure("serve: start, ports open", ready_s * 1e3, "ms CPU", "bare Python", python_ms, 500),
        Figure(
            "serve: all ports open after",
            open_s,
            "s",
            "that skeleton",
            bare_open_s,
            0.5,
            is_compared=False,
        ),
    ]


def more_meters(folder: Path, broker: int, quick: bool) -> list[Figure]:
    """What the whole daemon spends with 1, 4, 16 and 64 meters at 1 Hz; it grows in step at most."""
    env, costs = installed(folder), {}
    for count in (1, 4, 16) if quick else (1, 4, 16, 64):
        mine = folder / f"{count}"
        mine.mkdir()
        with plugged(mine, count) as fronts:
            text = MANY.format(page=free_port(), broker=broker, count=count)
            for number, front in enumerate(fronts):
                text += f'[meters.m{number}]\nprofile = "labelled"\nport = "{front.path}"\n'
            (mine / "ouzel.toml").write_text(text)
            with program(OURS, mine, env) as daemon:
                opened(daemon, fronts, mine)
                speak(fronts, 10)
                before_s, began = used_s(daemon.pid), time.monotonic()
                speak(fronts, 10 if quick else 40)
                costs[count] = (used_s(daemon.pid) - before_s) / (time.monotonic() - began) * 100
    grows = exponent([float(count) for count in costs], list(costs.values()))
    most = max(costs)
    return [
        Figure(f"serve: {most} meters", costs[most], "% of a core", "one meter", costs[1]),
        Figure("serve: growth with meters, exponent", grows, "", "in step", 1.0, 1.0),
    ]


@contextmanager
def plugged(folder: Path, count: int) -> Iterator[list[PtyFront]]:
    fronts = [PtyFront(folder / f"port{number}") for number in range(count)]
    for front in fronts:
        front.plug()
    try:
        yield fronts
    finally:
        for front in fronts:
            front.unplug()


def opened(
    child: subprocess.Popen[bytes], fronts: Sequence[PtyFront], folder: Path
) -> tuple[float, float]:
    """Wait until it has all ports open; processor seconds until then, and seconds by the clock."""
    began = time.monotonic()
    while not all(front.is_open for front in fronts):
        if time.monotonic() > began + 60 or child.poll() is not None:
            raise RuntimeError((folder / "log").read_text()[-2000:])
        time.sleep(0.005)
    return used_s(child.pid), time.monotonic() - began


def speak(fronts: list[PtyFront], seconds: int) -> None:
    for second in range(seconds):
        for at, front in enumerate(fronts):
            ec = 512 if at % 2 == 0 else 31
            text = f"pH {7 + second % 3 / 100:.2f} pH, ORP {215 + second % 4} mV, EC {ec} uS/cm, "
            text += f"TDS {ec // 2} ppm, SAL 0.02 %, SG 1.000, T 21.{second % 2} C\r\n"
            front.send(text.encode())
        time.sleep(1.0)
