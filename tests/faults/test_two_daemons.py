"""Two daemons at one store, or at one port: the second is told why, the first goes on."""

from __future__ import annotations

import itertools

from acquire.store import Records


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
    ouzel.wait(lambda: ouzel.said(second, "kind", "meter_not_reached"), second)
    (told,) = ouzel.said(second, "kind", "meter_not_reached")
    assert told["data"]["reason"] == "taken"
    assert str(first.pid) in told["text"] or "another program" in told["text"]
    ouzel.go_on(1.5, first, second)
    ouzel.stop(first)
    # What was in the way is gone: the second comes by itself to the meter.
    ouzel.wait(lambda: ouzel.said(second, "kind", "meter_back"), second)
    ouzel.stop(second)
    with Records.open(ouzel.folder / "water.db") as records:
        assert records.check() == ""
        assert not list(records.events(kind="meter_lost"))
        times = [one.stamp.t_s for one in records.readings()]
    assert max(b - a for a, b in itertools.pairwise(times)) < 0.5
