"""SIGTERM in every phase of a daemon's life: it ends in time, cleanly, with everything kept.

OUZEL_STOPS=60 makes the long form of the stops at random moments.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys

import pytest

from acquire.readings import CaptureState
from acquire.store import Records

STOPS = int(os.environ.get("OUZEL_STOPS", "2"))
HAND = 'loop = true\n[[stop]]\nwater = "buffer_7"\nin_air_s = 40\ndwell_s = 400\n'


def clean(ouzel, child, within=2.0):
    ouzel.stop(child, signal.SIGTERM, within=within)
    assert child.returncode == 0, child.err.read_text()
    assert "Traceback" not in child.err.read_text()
    with Records.open(ouzel.folder / "water.db") as records:
        assert records.check() == ""
        assert records.runs()[0].is_clean
        assert not list(records.captures(state=CaptureState.PROVISIONAL))
        for one in ouzel.said(child, "is", "capture"):
            assert one["state"] in [c.state for c in records.history(one["id"])]


@pytest.fixture
def started(ouzel):
    def start(*more, text="", simulated=True):
        ouzel.configure(text)
        if simulated:
            (ouzel.folder / "hand.toml").write_text(HAND)
            ouzel.simulate("--script", "hand.toml", *more)
        child = ouzel.start("serve", "--json", "--speed", "60")
        ouzel.wait(lambda: "recording" in child.err.read_text(), child)
        return child

    return start


def test_while_there_is_no_meter(ouzel, started):
    child = started(simulated=False)
    ouzel.wait(lambda: ouzel.said(child, "kind", "meter_not_reached"), child)
    clean(ouzel, child)


def test_while_settling_and_once_a_capture_was_taken_and_once_the_meter_is_lost(ouzel, started):
    child = started()
    ouzel.go_on(1.5, child)  # in the water for some forty seconds
    clean(ouzel, child)
    child = ouzel.start("serve", "--json", "--speed", "60")
    ouzel.wait(lambda: ouzel.said(child, "is", "capture"), child)
    clean(ouzel, child)
    child = ouzel.start("serve", "--json", "--speed", "60")
    ouzel.wait(lambda: "recording" in child.err.read_text(), child)
    ouzel.started[0].kill()
    ouzel.wait(lambda: child.out.read_text().count("meter_"), child)
    clean(ouzel, child)


def test_while_the_broker_hangs(ouzel, started, broker):
    broker.start()
    child = started(text=f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}')
    ouzel.wait(lambda: "ouzel-" in (broker.folder / "log").read_text(), child)
    broker.hang()
    clean(ouzel, child, within=3.0)


def test_a_second_signal_ends_it_at_once(ouzel, started):
    child = started()
    os.kill(child.pid, signal.SIGSTOP)  # both wait for it when it wakes
    os.kill(child.pid, signal.SIGTERM)
    os.kill(child.pid, signal.SIGINT)
    os.kill(child.pid, signal.SIGCONT)
    child.wait(3)
    assert "Traceback" not in child.err.read_text()
    with Records.open(ouzel.folder / "water.db") as records:
        assert records.check() == ""


@pytest.mark.timeout(60 + 4 * STOPS)
def test_at_any_moment_from_the_first_on(ouzel):
    """Also before it has said anything, while it makes its store, and on to its first readings."""
    ouzel.configure()
    ouzel.start("simulate", "--water", "tap", "--rate", "20", "--link", "probe")
    ouzel.wait((ouzel.folder / "probe").exists)
    chance = random.Random(11)
    for number in range(STOPS):
        store = ouzel.folder / f"{number}.db"
        child = ouzel.start("serve", "--json", "--store", store.name)
        ouzel.go_on(chance.uniform(0.05, 1.2))
        ouzel.stop(child, signal.SIGTERM, within=3.0)
        # Before it could listen to signals the system ends it, as it would any program.
        assert child.returncode in (0, -signal.SIGTERM), child.err.read_text()
        if child.returncode == 0:
            assert "Traceback" not in child.err.read_text()
        if store.exists():
            with Records.open(store) as records:
                assert records.check() == ""
        done = subprocess.run(
            [sys.executable, "-c", LOCK, str(store)], capture_output=True, check=False
        )
        assert done.returncode == 0, done.stderr


LOCK = """
import sys
from pathlib import Path
from acquire.store.lock import StoreLock
StoreLock(Path(sys.argv[1])).release()
"""
