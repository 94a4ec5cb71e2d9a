"""Two daemons at one store, or at one port: the second is told why, the first goes on."""

from __future__ import annotations

import itertools
import json
import time

from acquire.store import Records


def events(child, kind):
    lines = child.out.read_text().split("\n")[:-1]
    return [said for said in map(json.loads, lines) if said.get("kind") == kind]


def test_the_second_at_a_store_or_a_port_is_told_and_costs_the_first_nothing(ouzel):
    ouzel.configure("commit_every_s = 1")
    ouzel.start("simulate", "--water", "tap", "--rate", "10", "--link", "probe")
    ouzel.wait((ouzel.folder / "probe").exists)
    first = ouzel.start("serve", "--json")
    ouzel.wait(lambda: "recording" in first.err.read_text(), first)
    for _ in range(2):
        refused = ouzel.run("serve", "--json", code=5)
        assert f"process {first.pid} is writing to this store" in refused.stderr
        assert refused.stderr.count("\n") == 1
    second = ouzel.start("serve", "--json", "--store", "other.db")
    ouzel.wait(lambda: events(second, "meter_not_reached"), second)
    (told,) = events(second, "meter_not_reached")
    assert told["data"]["reason"] == "taken"
    assert str(first.pid) in told["text"] or "another program" in told["text"]
    until = time.monotonic() + 1.5
    ouzel.wait(lambda: time.monotonic() > until, first, second)
    ouzel.stop(first)
    # What was in the way is gone: the second comes by itself to the meter.
    ouzel.wait(lambda: events(second, "meter_back"), second)
    ouzel.stop(second)
    with Records.open(ouzel.folder / "water.db") as records:
        assert records.check() == ""
        assert not list(records.events(kind="meter_lost"))
        times = [one.stamp.t_s for one in records.readings()]
    assert max(b - a for a, b in itertools.pairwise(times)) < 0.5
