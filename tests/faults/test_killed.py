"""What a person's kitchen does to a daemon: the power goes, the plug is pulled, a cat walks by."""

from __future__ import annotations

import itertools
import os
import random
import time

import pytest

from acquire.readings import CaptureState
from acquire.store.records import Records

HAND = (
    "loop = true\n"
    '[[stop]]\nwater = "buffer_7"\nin_air_s = 12\ndwell_s = 200\n'
    '[[stop]]\nwater = "tap"\nin_air_s = 12\ndwell_s = 200\n'
)


KILLS = int(os.environ.get("OUZEL_DAEMON_KILLS", "2"))


@pytest.mark.parametrize("seed", range(KILLS))
def test_no_announced_capture_is_lost_when_the_daemon_is_killed(ouzel, seed):
    ouzel.configure()
    (ouzel.folder / "hand.toml").write_text(HAND)
    ouzel.simulate("--script", "hand.toml", "--seed", str(seed))
    daemon = ouzel.start("serve", "--json", "--speed", "60")

    def announced():
        return ouzel.said(daemon, "is", "capture")

    ouzel.wait(announced, daemon)
    ouzel.go_on(random.Random(seed).uniform(0.0, 3.0), daemon)
    daemon.kill()
    daemon.wait()
    with Records.open(ouzel.folder / "water.db") as records:
        assert records.check() == ""
        for said in announced():
            states = [c.state for c in records.history(said["id"])]
            assert said["state"] in states
    again = ouzel.start("serve", "--json", "--speed", "60")
    ouzel.wait(lambda: "recording" in again.err.read_text(), again)
    with Records.open(ouzel.folder / "water.db") as records:
        for said in announced():
            assert records.capture(said["id"]).state is not CaptureState.PROVISIONAL
    ouzel.stop(again)


def test_at_most_one_commit_interval_of_readings_is_lost_when_the_daemon_is_killed(ouzel):
    ouzel.configure("commit_every_s = 2")
    ouzel.start("simulate", "--water", "tap", "--rate", "20", "--link", "probe")
    ouzel.wait((ouzel.folder / "probe").exists)
    daemon = ouzel.start("serve", "--json")
    ouzel.wait(lambda: "recording" in daemon.err.read_text(), daemon)
    ouzel.go_on(5.3, daemon)
    daemon.kill()
    killed_ms = time.time() * 1000
    daemon.wait()
    with Records.open(ouzel.folder / "water.db") as records:
        kept = [reading.stamp.at_ms for reading in records.readings()]
    assert killed_ms - kept[-1] <= 2000 + 500
    assert len(kept) >= (kept[-1] - kept[0]) / 1000 * 20 * 0.9


def test_a_pulled_plug_is_an_event_and_readings_resume_within_five_seconds(ouzel):
    ouzel.configure()
    first = ouzel.start("simulate", "--water", "tap", "--rate", "10", "--link", "probe")
    ouzel.wait((ouzel.folder / "probe").exists, first)
    daemon = ouzel.start("serve", "--json")

    def events(kind):
        return ouzel.said(daemon, "kind", kind)

    ouzel.wait(lambda: "recording" in daemon.err.read_text(), daemon)
    ouzel.go_on(1.5, daemon)
    first.kill()
    first.wait()
    ouzel.wait(lambda: events("meter_lost"), daemon)
    (ouzel.folder / "probe").unlink(missing_ok=True)
    ouzel.go_on(3.0, daemon)
    again = ouzel.start("simulate", "--water", "tap", "--rate", "10", "--link", "probe")
    ouzel.wait((ouzel.folder / "probe").exists, again)
    back = time.monotonic()
    ouzel.wait(lambda: events("meter_back"), daemon)
    assert time.monotonic() - back <= 5.0
    ouzel.stop(daemon)
    with Records.open(ouzel.folder / "water.db") as records:
        (gap,) = [e.data["gap_s"] for e in records.events(kind="meter_back")]
        times = [reading.stamp.at_ms / 1000 for reading in records.readings()]
    assert gap == pytest.approx(max(b - a for a, b in itertools.pairwise(times)), abs=0.1)
