"""A month of a daemon in one go: two meters, everything outward on, faults at random times.

    python -m tests.faults.soak [--days 30] [--seed 1] [--json]

The daemon, its drivers, the store, the MQTT outlet against a real broker, Homie, the page with
browsers that listen, the metrics and a program run on every capture are the product's own; the wires
are in memory and time jumps (swift.py). It ends with what it found and exit code 1 when that is not as it should be.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import urllib.request
from array import array
from collections import Counter
from contextlib import ExitStack
from pathlib import Path
from statistics import median_low

from acquire import config
from acquire.cli.outlets import configured_outlets
from acquire.daemon import Daemon, LateOutlet
from acquire.page.outlet import PageOutlet
from acquire.readings import Capture
from acquire.store import Records
from acquire.store.outbox import Outbox
from drivers.line import line_opener
from simulators.hand import Script, Stop
from simulators.run import Rig
from simulators.speech import LineFaults, find_dialect, speak
from simulators.waters import load_waters
from tests.broker.conftest import MOSQUITTO, Mosquitto
from tests.faults.soak.browsers import NAMES, heard_wrong
from tests.faults.soak.swift import SwiftClock
from tests.faults.soak.weather import Weather
from tests.faults.soak.wire import MemoryPort, opener

DAY_S = 86_400.0
RATE_HZ = 0.2
BENCH = Script(
    [
        Stop(water="buffer_7", dwell_s=600, in_air_s=120),
        Stop(water="reverse_osmosis", dwell_s=900, in_air_s=120),
        Stop(water="tap", dwell_s=900, in_air_s=1800),
    ],
    loop=True,
)
"""The bench: three waters, then half an hour in air, day and night."""
GROWN_MIB = 2.0
SPLIT_MOST = 0.015
"""Of the stays; 9 of 1,389 when this was written."""
CONFIG = """
[store]
path = "water.db"
raw_days = 2
[meters.bench]
profile = "labelled"
port = "tcp://127.0.0.1:1"
silence_s = 120
[meters.sink]
profile = "labelled"
port = "tcp://127.0.0.1:2"
silence_s = 120
[watch.sink]
product = "sink"
feed_us_cm = 480
least_rejection_percent = 85
litres_a_day = 12
[metrics]
port = 0
[page]
port = 0
[programs]
on_capture = ["true"]
"""
MQTT = """
[mqtt]
host = "127.0.0.1"
port = {port}
topic = "soak"
client_id = "soak"
source = "urn:dev:ops:32473-soak"
drain_per_s = 10000
every_s = 60
at_least_s = 600
reconnect_most_s = 60
[mqtt.homie]
"""


class Broker(Mosquitto):
    """One that is stopped cleanly and keeps what it promised, so that a listener misses nothing."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.lines += [
            "persistence true",
            f"persistence_location {folder}/",
            "max_queued_messages 0",
        ]

    def stop(self) -> None:
        self.process.send_signal(signal.SIGTERM)
        self.process.wait()

    def ear(self, into: Path) -> subprocess.Popen[bytes]:
        """Write down the id of everything kept that comes over the broker, whoever else hears it."""
        words = ["mosquitto_sub", "-V", "5", "-h", "127.0.0.1", "-p", str(self.port), "-q", "1"]
        words += ["-c", "-i", "ear", "-x", "4294967295", "-t", "soak/+/capture", "-F", "%t %P"]
        return subprocess.Popen(words, stdout=into.open("ab"), stderr=subprocess.DEVNULL)


class Ground:
    """What really happened to a probe: when it went into which water.

    In a file, as are the looks below: what this program itself remembers would pass for a leak.
    """

    def __init__(self, clock: SwiftClock, file: Path) -> None:
        self._clock = clock
        self._since: tuple[float, str] | None = None
        self._path, self._file = file, file.open("w")

    def moved(self, place: str) -> None:
        now_s = self._clock.t_s
        if self._since is not None and self._since[1] != "air":
            print(self._since[0], now_s, self._since[1], file=self._file, flush=True)
        self._since = (now_s, place)

    @property
    def dwells(self) -> list[tuple[float, float, str]]:
        lines = (line.split() for line in self._path.read_text().splitlines())
        return [(float(begun), float(left), water) for begun, left, water in lines]

    def close(self) -> None:
        self._file.close()


def usage() -> dict[str, float]:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return {
        "rss_mib": pages * os.sysconf("SC_PAGE_SIZE") / 2**20,
        "descriptors": sum(1 for _ in Path("/proc/self/fd").iterdir()),
        "tasks": len(asyncio.all_tasks()),
    }


class Looks:
    """What the program used, four times a simulated hour; eight bytes a number."""

    NAMES = ("day", "rss_mib", "descriptors", "tasks")

    def __init__(self) -> None:
        self._numbers = array("d")

    def take(self, day: float) -> None:
        now = {"day": day, **usage()}
        self._numbers.extend(now[name] for name in self.NAMES)

    def all(self) -> list[dict[str, float]]:
        width = len(self.NAMES)
        rows = (self._numbers[at : at + width] for at in range(0, len(self._numbers), width))
        return [dict(zip(self.NAMES, row, strict=True)) for row in rows]


def read_metrics(port: int) -> bytes:
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=5) as answer:
        return bytes(answer.read())


class Log(logging.Handler):
    """Counts what would go to the journal."""

    def __init__(self) -> None:
        super().__init__()
        self.bytes = 0

    def emit(self, record: logging.LogRecord) -> None:
        self.bytes += len(self.format(record)) + 1


async def soak(
    folder: Path, days: float, seed: int, show: bool, left_behind: ExitStack
) -> dict[str, object]:
    clock = SwiftClock()
    ports = {"tcp://127.0.0.1:1": MemoryPort(), "tcp://127.0.0.1:2": MemoryPort()}
    line_opener.set(opener(ports))
    broker = Broker(folder / "broker") if MOSQUITTO and shutil.which("mosquitto_sub") else None
    text = CONFIG
    if broker is not None:
        left_behind.callback(broker.kill)
        broker.start()
        text += MQTT.format(port=broker.port)
    (folder / "ouzel.toml").write_text(text)
    settings = config.load(folder / "ouzel.toml")
    outlets = [
        one.make() if isinstance(one, LateOutlet) else one
        for one in configured_outlets(settings, clock)
    ]
    metrics = next(one for one in outlets if one.name == "metrics")
    store = settings.store.path
    page = PageOutlet(settings.page, settings, clock, store=store)
    outlets.append(page)
    works = Daemon(
        settings, list(settings.meters.values()), clock, store=store, outlets=outlets, keeps_on=True
    )
    log = Log()
    logging.getLogger().addHandler(log)
    announced = (folder / "announced").open("w")
    heard = works.listen("soak", size=100_000)

    async def listen() -> None:
        async for said in heard:
            if isinstance(said, Capture):
                print(said.id, said.state, file=announced)

    ground = Ground(clock, folder / "ground")
    waters = load_waters()
    scripts = {
        "tcp://127.0.0.1:1": BENCH,
        "tcp://127.0.0.1:2": Script.still("reverse_osmosis", flowing=True),
    }
    faults = LineFaults(silence=0.004, half=0.001, flip=0.001, garbage=0.001, stutter=0.002)
    meters = []
    for number, (name, port) in enumerate(ports.items()):
        rate = RATE_HZ if name == "tcp://127.0.0.1:1" else RATE_HZ / 4
        rig = Rig.drawn(
            f"{seed} {number}",
            scripts[name],
            waters,
            start_s=clock.t_s,
            rate_hz=rate,
            on_move=ground.moved if name == "tcp://127.0.0.1:1" else None,
        )
        meters.append(
            speak(
                port,
                find_dialect("labelled"),
                lambda rig=rig: rig.display(clock.t_s),
                clock=clock,
                rate_hz=rate,
                faults=faults,
                seed=f"{seed} {number}",
            )
        )
        meters.append(rig.follow(clock))
    weather = Weather(clock, ports, broker, store, seed)
    looks = Looks()
    ear = broker.ear(folder / "heard") if broker is not None else None
    if ear is not None:
        left_behind.callback(ear.terminate)

    async def look() -> None:
        """Four times a simulated hour, when nothing is broken just then."""
        while True:
            await clock.sleep(900)
            if weather.is_calm:
                looks.take((clock.t_s - 1000) / DAY_S)

    async def scrape() -> None:
        while True:
            await clock.sleep(3600)
            await asyncio.to_thread(read_metrics, metrics.port)

    begun = time.monotonic()
    is_open = asyncio.Event()

    async def opened() -> None:
        is_open.set()

    running = asyncio.create_task(works.run(opened), name="daemon")
    await is_open.wait()  # before time begins to run
    surfing = await opened_browsers(page, folder, seed)
    others = [asyncio.create_task(listen()), asyncio.create_task(look())]
    others += [asyncio.create_task(scrape()), asyncio.create_task(clock.run())]
    others += [asyncio.create_task(one) for one in (*meters, weather.run())]
    for day in range(1, int(days) + 1) if days >= 1 else ():
        await clock.sleep(1000 + day * DAY_S - clock.t_s)
        if show:
            now = usage()
            spent = time.monotonic() - begun
            print(f"day {day:>3}: {now['rss_mib']:.1f} MiB, {spent:.0f} s", file=sys.stderr)
    await clock.sleep(max(0.0, 1000 + days * DAY_S - clock.t_s))
    while not weather.is_calm:
        await clock.sleep(1.0)
    others[-1].cancel()
    if broker is not None:
        await drained(store, clock)
    told = await all_told(store, folder, clock)
    end_s = clock.t_s
    others[1].cancel()  # no look at what is being taken down
    works.stop()
    await running
    for task in others:
        task.cancel()
    await asyncio.gather(*others, return_exceptions=True)
    await surfing.wait()
    announced.close()
    ground.close()
    if ear is not None:
        await asyncio.sleep(0.5)  # what it still writes down
        ear.terminate()
        ear.wait()
    found = judged(folder, store, ground, weather, days, end_s)
    found["problems"] += heard_wrong(folder / "browsers", told)
    found["told_to_browsers"] = len(told)
    found |= held_level(looks.all(), days)
    found |= {
        "days": days,
        "took_s": round(time.monotonic() - begun, 1),
        "faults": weather.counts,
        "log_bytes_a_day": round(log.bytes / max(days, 0.01)),
        "with_broker": broker is not None,
    }
    return found


async def opened_browsers(page: PageOutlet, folder: Path, seed: int) -> asyncio.subprocess.Process:
    """Open the page; gives the browsers once each has been let in."""
    async with asyncio.timeout(20):
        while page.page is None:  # noqa: ASYNC110
            await asyncio.sleep(0.01)
        (folder / "browsers").mkdir()
        words = ["-m", "tests.faults.soak.browsers", page.url, str(folder / "browsers"), str(seed)]
        surfing = await asyncio.create_subprocess_exec(sys.executable, *words)
        while page.page.hub.streams < len(NAMES):  # noqa: ASYNC110
            await asyncio.sleep(0.01)
    return surfing


async def all_told(store: Path, folder: Path, clock: SwiftClock) -> list[int]:
    """Wait until each browser has heard what is kept by now, in real time; gives the numbers kept."""
    with Records.open(store) as records:
        last = records.last_news()
        kept = [one.number for one in records.news(0, upto=last, most=10**9)]
    until = time.monotonic() + 60
    waiting = set(NAMES)
    while waiting and time.monotonic() < until:
        await clock.sleep(1.0)
        await asyncio.sleep(0.05)
        for name in tuple(waiting):
            heard = (folder / "browsers" / name).read_text("ascii").split()
            if heard and int(heard[-1]) >= last:
                waiting.remove(name)
    return kept


async def drained(store: Path, clock: SwiftClock) -> None:
    """Let the outbox empty itself; a deadline of real time."""
    until = time.monotonic() + 60
    while time.monotonic() < until:
        with Outbox.open(store) as outbox:
            if not outbox.standing("mqtt").waiting:
                return
        await clock.sleep(5.0)
        await asyncio.sleep(0.01)


def judged(
    folder: Path, store: Path, ground: Ground, weather: Weather, days: float, end_s: float
) -> dict[str, object]:
    """Hold what is in the store against what was announced, heard, and really happened."""
    problems: list[str] = []
    announced = Counter(tuple(x.split()) for x in (folder / "announced").read_text().splitlines())
    with Records.open(store) as records:
        if records.check():
            problems.append(f"store: {records.check()}")
        captures = [one for one in records.captures() if one.meter == "bench"]
        numbers = {
            (one.id, str(state.state)): number
            for one in records.captures()
            for number, state in enumerate(records.history(one.id), 1)
        }
        events = Counter(one.kind for one in records.events())
    lost = [said for said in announced if said not in numbers]
    if lost:
        problems.append(f"{len(lost)} announced and not in the store: {lost[:3]}")
    twice = [said for said, count in announced.items() if count > 1]
    if twice:
        problems.append(f"{len(twice)} announced twice: {twice[:3]}")
    untold = [said for said in numbers if said not in announced]
    if untold:
        problems.append(f"{len(untold)} in the store and not announced: {untold[:3]}")
    heard: Counter[str] = Counter()
    if (folder / "heard").exists():
        for line in (folder / "heard").read_text().splitlines():
            said = [word.partition(":")[2] for word in line.split() if word.startswith("id:")]
            heard.update(said)
        wanted = {f"{name}.{number}" for (name, _), number in numbers.items()}
        missing = wanted - set(heard)
        if missing:
            problems.append(f"{len(missing)} never came over the broker: {sorted(missing)[:3]}")
    # Each stay in a water that no fault touched left a record, and at most one that is final. A stay
    # taken for two, the first of them unsettled and told so, is counted apart: see docs/faults.md.
    stays = held = split = 0
    for begun_s, left_s, water in ground.dwells:
        if left_s > end_s or any(a < left_s + 60 and b > begun_s - 300 for a, b in weather.spans):
            continue
        stays += 1
        those = [one for one in captures if begun_s - 30 <= one.started.t_s < left_s]
        final = sum(one.state == "final" for one in those)
        held += final > 0
        split += len({one.started.t_s for one in those}) > 1
        if not those:
            problems.append(f"no capture of {water} at {begun_s:.0f} s")
        if final > 1:
            problems.append(f"{final} final captures of {water} at {begun_s:.0f} s")
    if split > max(1, SPLIT_MOST * stays):
        problems.append(f"{split} of {stays} stays were taken for two")
    return {
        "problems": problems,
        "captures": len(captures),
        "stays_untouched": stays,
        "final_of_them": held,
        "taken_for_two": split,
        "announced": sum(announced.values()),
        "heard": len(heard),
        "heard_again": sum(heard.values()) - len(heard),
        "events_a_day": round(sum(events.values()) / days, 1),
        "events": dict(events.most_common()),
        "store_mb": round(store.stat().st_size / 1e6, 2),
    }


def held_level(looks: list[dict[str, float]], days: float) -> dict[str, object]:
    """Give memory, descriptors and tasks after the first day and at the end.

    Of memory and descriptors the least of each stretch: what is never given back raises it. Of tasks the
    middle one: browsers come and go, and how few there are at the least is a matter of chance.
    """
    if days >= 3:
        first = [one for one in looks if 1.0 < one["day"] <= 2.0]
    else:
        first = [one for one in looks if one["day"] <= 1.0]
        first = first[len(first) // 2 :]
    last = [one for one in looks if one["day"] > days - max(1.0, days / 10)]
    if not first or not last:
        return {"level": "too short to tell"}
    of = {"rss_mib": min, "descriptors": min, "tasks": median_low}
    return {
        "level": {
            name: [round(pick([one[name] for one in part]), 2) for part in (first, last)]
            for name, pick in of.items()
        }
    }


def problems_of(found: dict[str, object]) -> list[str]:
    problems = list(found["problems"])
    level = found["level"]
    if isinstance(level, dict):
        grown = level["rss_mib"][1] - level["rss_mib"][0]
        if grown > GROWN_MIB:
            problems.append(f"{grown:.1f} MiB more memory at the end than after the first day")
        problems += [
            f"{name} grew from {level[name][0]} to {level[name][1]}"
            for name in ("descriptors", "tasks")
            if level[name][1] > level[name][0]
        ]
    if found["events_a_day"] > 1000:
        problems.append(f"{found['events_a_day']} events a day")
    if found["log_bytes_a_day"] > 200_000:
        problems.append(f"{found['log_bytes_a_day']} bytes of log a day")
    return problems


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=float, default=30.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true", help="print what was found as JSON")
    args = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    with (
        tempfile.TemporaryDirectory(prefix="ouzel-soak-", ignore_cleanup_errors=True) as folder,
        ExitStack() as left_behind,  # other programs end with this one, however it ends
    ):
        found = asyncio.run(soak(Path(folder), args.days, args.seed, not args.json, left_behind))
    found["problems"] = problems_of(found)
    if args.json:
        print(json.dumps(found))
    else:
        for name, value in found.items():
            print(f"{name:>18}  {value}")
    return 1 if found["problems"] else 0


if __name__ == "__main__":
    sys.exit(main())
