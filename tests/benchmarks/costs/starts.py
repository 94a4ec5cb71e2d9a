"""How long a command takes to start, in processor time: the wall clock belongs to others too."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from pathlib import Path

from simulators.pty_front import PtyFront
from tests.benchmarks.costs.figure import Figure

CORE = "import asyncio, argparse, logging, tomllib, sqlite3"
LINE = b"pH 7.01 pH, ORP 215 mV, EC 512 uS/cm, T 21.4 C\r\n"
BARE_READ = """
import sys, serial
port = serial.Serial(sys.argv[1], 9600, exclusive=True)
port.readline()
print(port.readline().decode().strip(), flush=True)
"""


def installed(folder: Path) -> dict[str, str]:
    """Give an environment in which Python finds bytecode, as it does of a program that is installed.

    The first start writes it into the folder.
    """
    mine = {name: said for name, said in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return {**mine, "PYTHONPYCACHEPREFIX": str(folder / "bytecode")}


def spent_ms(words: list[str], env: Mapping[str, str]) -> float:
    """Processor milliseconds of a whole process, user and system."""
    child = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=env)
    assert child.stdout is not None
    child.stdout.read()
    _, _, used = os.wait4(child.pid, 0)
    child.returncode = 0
    return (used.ru_utime + used.ru_stime) * 1e3


def least(times: int, *kinds: Callable[[], float]) -> list[float]:
    """The least of each, taken in turns so that all meet the same machine."""
    best = [float("inf")] * len(kinds)
    for _ in range(times):
        for at, kind in enumerate(kinds):
            best[at] = min(best[at], kind())
    return best


def first_reading_ms(words: list[str], env: Mapping[str, str]) -> float:
    """Processor time until the first reading is printed; the meter is there and speaks."""
    front = PtyFront()
    front.plug()
    child = subprocess.Popen(
        [*words, front.path], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=env
    )
    assert child.stdout is not None
    os.set_blocking(child.stdout.fileno(), False)
    until = time.monotonic() + 30
    while time.monotonic() < until and not child.stdout.read():
        front.send(LINE)
        time.sleep(0.02)
    os.kill(child.pid, signal.SIGKILL)  # not child.kill, which may reap it
    _, _, used = os.wait4(child.pid, 0)
    child.returncode = 0
    child.stdout.close()
    front.unplug()
    return (used.ru_utime + used.ru_stime) * 1e3


def measure(quick: bool) -> list[Figure]:
    times = 5 if quick else 20
    python = sys.executable
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        env = installed(folder)
        bare, core, helped = least(
            times,
            lambda: spent_ms([python, "-c", "pass"], env),
            lambda: spent_ms([python, "-c", CORE], env),
            lambda: spent_ms([python, "-m", "acquire", "--help"], env),
        )
        script = folder / "bare_read.py"
        script.write_text(BARE_READ)
        plain, read = least(
            3 if quick else 7,
            lambda: first_reading_ms([python, str(script)], env),
            lambda: first_reading_ms([python, "-m", "acquire", "read", "--json", "--port"], env),
        )
    return [
        Figure("start: --help", helped, "ms CPU", "bare Python", bare, 6.0, is_ratio_budget=True),
        Figure(
            "start: --help, core", helped, "ms CPU", "Python with the core of its library", core
        ),
        Figure("start: read", read, "ms CPU", "pyserial alone, to its first line", plain),
    ]
