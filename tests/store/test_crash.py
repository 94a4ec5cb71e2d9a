"""Killed at any moment: what was acknowledged is there, and at most one interval of the rest is not.

OUZEL_KILLS=200 makes the long form of it.
"""

from __future__ import annotations

import os
import random
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from acquire.readings import CaptureState
from acquire.store import Records

KILLS = int(os.environ.get("OUZEL_KILLS", "10"))
EVERY_S = 0.1
CHILD = Path(__file__).with_name("writes_until_killed.py")


def write_and_kill(store, meter, after_s):
    """Let a child write for that long from its first word on, kill it, give the lines it said."""
    child = subprocess.Popen(
        [sys.executable, str(CHILD), str(store), meter, str(EVERY_S)], stdout=subprocess.PIPE
    )
    out = child.stdout
    assert out is not None
    try:
        said, end = b"", None
        while end is None or time.monotonic() < end:
            ready, _, _ = select.select([out], [], [], 0.01 if end else 20)
            if ready:
                said += os.read(out.fileno(), 1 << 16)
                end = end or time.monotonic() + after_s
            assert child.poll() is None
    finally:
        child.send_signal(signal.SIGKILL)
        child.wait()
    said += out.read()
    out.close()
    lines = said.decode().split("\n")[:-1]  # the last one may be half
    return [line.split() for line in lines]


@pytest.mark.timeout(60 + 2 * KILLS)
def test_kill_9_loses_nothing_acknowledged_and_one_interval_at_most(store):
    chance = random.Random(20)
    kept_ids, lost_worst_s = {}, 0.0
    for kill in range(KILLS):
        meter = f"m{kill}"
        said = write_and_kill(store, meter, chance.uniform(0.0, 0.4))
        added = {int(words[1]): int(words[2]) for words in said if words[0] == "add"}
        durable = max((int(words[1]) for words in said if words[0] == "durable"), default=0)
        for words in said:
            if words[0] == "kept":
                kept_ids[words[1]] = words[2]
        with Records.open(store) as records:
            assert records.check() == ""
            there = [int(one.values["orp"]) for one in records.readings(meter=meter)]
            found = {one.id: one for one in records.captures()}
        assert there == list(range(len(there)))  # no hole, nothing out of order
        assert len(there) >= durable
        lost = [mono_ns for n, mono_ns in added.items() if n >= len(there)]
        if lost:
            lost_worst_s = max(lost_worst_s, (max(lost) - min(lost)) * 1e-9)
        for name, state in kept_ids.items():
            assert found[name].values["orp"].value == float(name.rpartition("-")[2])
            # the next state may have reached the disk just before the kill
            assert found[name].state in (state, CaptureState.FINAL)
    assert kept_ids
    # An interval, and the time a busy disk takes to commit.
    assert lost_worst_s <= EVERY_S + 0.25


def test_the_lock_of_a_killed_writer_is_gone_and_its_run_is_marked(store):
    write_and_kill(store, "m", 0.05)
    write_and_kill(store, "n", 0.0)
    with Records.open(store) as records:
        after, crashed = records.runs()
    assert (after.is_clean, after.ended_ms) == (False, None)
    assert not crashed.is_clean
    assert crashed.ended_ms is not None
    assert crashed.ended_ms >= crashed.started.at_ms


def test_ctrl_c_leaves_everything_written(store):
    child = subprocess.Popen(
        [sys.executable, str(CHILD), str(store), "m", "1000"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )
    assert child.stdout is not None
    said = child.stdout.readline()
    child.send_signal(signal.SIGINT)
    said += child.stdout.read()
    child.wait(10)
    child.stdout.close()
    added = sum(line.startswith("add") for line in said.decode().splitlines())
    with Records.open(store) as records:
        assert len(list(records.readings())) >= added > 0
        assert records.runs()[0].is_clean
