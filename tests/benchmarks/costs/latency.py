"""From a byte on the serial line to somebody far away: over MQTT, and to a browser.

The same lines go to `ouzel serve` and, over a pseudo-terminal of its own, to a bare pyserial loop in a
process of its own that prints when it had them. All clocks are the machine's one monotonic clock.
"""

from __future__ import annotations

import http.client
import queue
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from simulators.pty_front import PtyFront
from tests.benchmarks.costs.figure import Figure
from tests.broker.conftest import MOSQUITTO, Mosquitto, free_port

BARE = """
import sys, time, serial
port = serial.Serial(sys.argv[1], 9600)
while True:
    line = port.readline()
    print(time.monotonic_ns(), line.decode().split("ORP ")[1].split(" ")[0], flush=True)
"""
GAP_S = 0.25  # the page tells of a meter at most five times a second


def line(number: int) -> bytes:
    return b"pH 7.01 pH, ORP %d mV, EC 512 uS/cm, T 21.4 C\r\n" % number


@contextmanager
def serving(folder: Path, front: PtyFront, broker: Mosquitto | None) -> Iterator[int]:
    """`ouzel serve` with page and broker; gives the page's port."""
    port = free_port()
    text = (
        f'[store]\npath = "water.db"\n[page]\nport = {port}\n[meters.bench]\nprofile = "labelled"\n'
        f'port = "{front.path}"\n'
    )
    if broker is not None:
        text += f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\nevery_s = 0.01\n'
        text += "at_least_s = 60\ndead_band.orp = 0\n"
    (folder / "ouzel.toml").write_text(text)
    log = (folder / "log").open("w")
    child = subprocess.Popen(
        [sys.executable, "-m", "acquire", "serve", "--json"], cwd=folder, stdout=log, stderr=log
    )
    try:
        until = time.monotonic() + 30
        while "the page is at" not in (folder / "log").read_text():
            if time.monotonic() > until or child.poll() is not None:
                raise RuntimeError((folder / "log").read_text()[-2000:])
            time.sleep(0.02)
        yield port
    finally:
        child.terminate()
        child.wait()
        log.close()


def listen_to_page(port: int, heard: queue.Queue[tuple[str, int, int]]) -> None:
    link = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    link.request("GET", "/api/1/stream", headers={"Accept": "text/event-stream"})
    answer = link.getresponse()
    if answer.status != 200:
        raise RuntimeError(f"the stream answers {answer.status}: {answer.read()[:200]!r}")
    while True:
        text = answer.readline()
        now_ns = time.monotonic_ns()
        found = re.search(rb'"orp":\s*(?:\{"value":\s*)?(\d{4,})', text)
        if text.startswith(b"data:") and found:
            heard.put(("page", int(found[1]), now_ns))


def listen_to_lines(
    child: subprocess.Popen[bytes], name: str, heard: queue.Queue[tuple[str, int, int]]
) -> None:
    assert child.stdout is not None
    for text in child.stdout:
        now_ns = time.monotonic_ns()
        words = text.split()
        if name == "bare":
            heard.put((name, int(words[1]), int(words[0])))
        elif words[-1].isdigit():
            heard.put((name, int(words[-1]), now_ns))


def quantile(values: list[float], share: float) -> float:
    return sorted(values)[min(len(values) - 1, int(share * len(values)))]


def measure(quick: bool) -> list[Figure]:
    count = 40 if quick else 400
    if MOSQUITTO is None or shutil.which("mosquitto_sub") is None:
        return []
    heard: queue.Queue[tuple[str, int, int]] = queue.Queue()
    sent: dict[int, int] = {}
    children = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Mosquitto(folder / "broker").start()
        front, bare_front = PtyFront(folder / "a"), PtyFront(folder / "b")
        front.plug()
        bare_front.plug()
        (folder / "bare.py").write_text(BARE)
        words = {
            "bare": [sys.executable, str(folder / "bare.py"), bare_front.path],
            "mqtt": ["mosquitto_sub", "-p", str(broker.port), "-t", "ouzel/bench/orp", "-F", "%p"],
        }
        try:
            with serving(folder, front, broker) as port:
                for kind, command in words.items():
                    children.append(subprocess.Popen(command, stdout=subprocess.PIPE))
                    threading.Thread(
                        target=listen_to_lines, args=(children[-1], kind, heard), daemon=True
                    ).start()
                threading.Thread(target=listen_to_page, args=(port, heard), daemon=True).start()
                until = time.monotonic() + 10
                while not (front.is_open and bare_front.is_open) or time.monotonic() < until - 7:
                    time.sleep(0.05)
                for number in range(1000, 1000 + count):
                    sent[number] = time.monotonic_ns()
                    bare_front.send(line(number))
                    front.send(line(number))
                    time.sleep(GAP_S)
                time.sleep(0.5)
        finally:
            for child in children:
                child.kill()
                child.wait()
            broker.kill()
            front.unplug()
            bare_front.unplug()
    took: dict[str, dict[int, float]] = {}
    while not heard.empty():
        kind, number, at_ns = heard.get()
        if number in sent:
            took.setdefault(kind, {}).setdefault(number, (at_ns - sent[number]) * 1e-6)
    figures = []
    bare = list(took["bare"].values())
    for kind, label in (("mqtt", "MQTT"), ("page", "a browser's stream")):
        ours = list(took.get(kind, {}).values())
        if len(ours) < count * 0.8:
            raise RuntimeError(f"only {len(ours)} of {count} came to {kind}")
        figures += [
            Figure(
                f"latency to {label}, p50",
                quantile(ours, 0.5),
                "ms",
                "bare pyserial",
                quantile(bare, 0.5),
            ),
            Figure(
                f"latency to {label}, p99",
                quantile(ours, 0.99),
                "ms",
                "bare pyserial",
                quantile(bare, 0.99),
                50.0,
                is_compared=False,
            ),
        ]
    return figures
