"""What `ouzel serve` holds and spends with two meters at 1 Hz and everything outward on."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from simulators.pty_front import PtyFront
from tests.benchmarks.costs.figure import Figure
from tests.broker.conftest import MOSQUITTO, Mosquitto, free_port

SKELETON = """
import asyncio, os, sqlite3, sys
import aiomqtt, serial, pydantic

async def main(ports, broker):
    store = sqlite3.connect("skeleton.db", isolation_level=None)
    store.execute("PRAGMA journal_mode = WAL")
    store.execute("CREATE TABLE r (at REAL, meter INT, line TEXT)")
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
def program(words: list[str], folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    with (folder / "log").open("a") as log:
        child = subprocess.Popen(words, cwd=folder, stdout=log, stderr=log)
        try:
            yield child
        finally:
            child.terminate()
            child.wait()


def measure(quick: bool) -> list[Figure]:
    if MOSQUITTO is None:
        return []
    seconds = 15 if quick else 120
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Mosquitto(folder / "broker").start()
        fronts = [PtyFront(folder / one) for one in "abcd"]
        for front in fronts:
            front.plug()
        (folder / "ouzel.toml").write_text(
            CONFIG.format(page=free_port(), broker=broker.port, a=fronts[0].path, b=fronts[1].path)
        )
        (folder / "skeleton.py").write_text(SKELETON)
        python = sys.executable
        bare = [python, "skeleton.py", str(broker.port), fronts[2].path, fronts[3].path]
        ours = [python, "-m", "acquire", "serve", "--json"]
        try:
            with program(ours, folder) as daemon, program(bare, folder) as skeleton:
                begun = time.monotonic()
                ready: dict[str, float] = {}
                while len(ready) < 2:
                    for kind, pair in (("ours", fronts[:2]), ("bare", fronts[2:])):
                        if all(front.is_open for front in pair):
                            ready.setdefault(kind, time.monotonic() - begun)
                    if time.monotonic() > begun + 40 or daemon.poll() is not None:
                        raise RuntimeError((folder / "log").read_text()[-2000:])
                    time.sleep(0.02)
                speak(fronts, 8)
                before = [(used_s(one.pid), written(one.pid)) for one in (daemon, skeleton)]
                began = time.monotonic()
                speak(fronts, seconds)
                took = time.monotonic() - began
                after = [(used_s(one.pid), written(one.pid)) for one in (daemon, skeleton)]
                memory = [rss_mib(one.pid) for one in (daemon, skeleton)]
        finally:
            broker.kill()
            for front in fronts:
                front.unplug()
    cpu = [(b[0] - a[0]) / took * 100 for a, b in zip(before, after, strict=True)]
    disk = [(b[1] - a[1]) / took * DAY_S / 1e6 for a, b in zip(before, after, strict=True)]
    return [
        Figure(
            "serve: memory", memory[0], "MiB", "a skeleton with the same libraries", memory[1], 60.0
        ),
        Figure("serve: processor", cpu[0], "% of a core", "that skeleton", cpu[1], 0.5),
        Figure("serve: to the device", disk[0], "MB a day", "that skeleton", disk[1], 100.0),
        Figure(
            "serve: all ports open after",
            ready["ours"],
            "s",
            "that skeleton",
            ready["bare"],
            0.5,
            is_compared=False,
        ),
    ]


def speak(fronts: list[PtyFront], seconds: int) -> None:
    for second in range(seconds):
        for at, front in enumerate(fronts):
            ec = 512 if at % 2 == 0 else 31
            text = f"pH {7 + second % 3 / 100:.2f} pH, ORP {215 + second % 4} mV, EC {ec} uS/cm, "
            text += f"TDS {ec // 2} ppm, SAL 0.02 %, SG 1.000, T 21.{second % 2} C\r\n"
            front.send(text.encode())
        time.sleep(1.0)
