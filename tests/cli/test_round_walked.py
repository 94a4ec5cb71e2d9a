"""Whole rounds over a real wire: the program shows what to do, a hand does it."""

from __future__ import annotations

import json
import signal
import sqlite3

import pytest

from acquire.errors import StoreError
from acquire.store.records import Records
from tests.cli.walking_hand import PLAN, SPEED, Terminal, said_in, walk

pytestmark = pytest.mark.timeout(150)  # 15 s each where nothing else runs

FAST = ("--speed", str(SPEED))
SHORT = """[[stop]]
rinse = "distilled"
[[stop]]
reference = "filtered"
[[stop]]
subject = "tap"
"""
COUNTED = SHORT + '[[stop]]\ncount = "tap"\n'


@pytest.fixture
def kitchen(ouzel):
    ouzel.configure()
    plans = ouzel.folder / "plans"
    plans.mkdir()
    for name, text in (("whole", PLAN), ("short", SHORT), ("counted", COUNTED)):
        (plans / f"{name}.toml").write_text(text, encoding="utf-8")
    return ouzel


def kept(ouzel, ask):
    with Records.open(ouzel.folder / "water.db") as records:
        return ask(records)


def shown(child):
    return lambda: said_in(child.out.read_text())


async def test_a_round_is_walked_to_its_end_on_the_screen_and_by_keys(kitchen):
    terminal = Terminal(kitchen.folder, "round", "whole", *FAST)
    noted = False

    def press(say):
        nonlocal noted
        if say.startswith("Captured. Say which"):
            terminal.type("1")  # of what is asked: it reads more than the plan expects
        if say.startswith("Count"):
            terminal.type("3 0 2\r")
        if say.startswith("Leave the probe still in tap") and not noted:
            noted = True
            terminal.type("na bubble\r")

    try:
        await walk(
            kitchen.folder,
            lambda: said_in(terminal.text()),
            lambda: terminal.child.poll() is not None,
            also=press,
        )
        text = terminal.text()
        assert terminal.child.returncode == 0, text[-3000:]
        assert terminal.is_as_it_was()
    finally:
        terminal.close()
    assert "Which water is the probe in?" in text
    assert "1-2 answer" in text
    assert "stop 3 of 7" in text
    assert "The round is done" in text
    assert "ouzel compare" in text
    (one,) = kept(kitchen, Records.rounds)
    assert one.state == "done"
    taken = {v.position: v for v in one.visits if v.state == "taken"}
    assert sorted(taken) == list(range(7))
    assert "somebody said that it is filtered" in taken[2].flags
    assert "a bubble" in taken[3].note
    captures = {
        v.position: kept(kitchen, lambda r, v=v: r.capture(v.capture_id))
        for v in taken.values()
        if v.capture_id
    }
    assert captures[2].water == "filtered"
    assert captures[3].water == "tap"
    assert 430 < captures[3].values["conductivity"].value < 540
    checks = kept(kitchen, lambda r: list(r.checks()))
    assert [c.verdict for c in checks if c.quantity == "ph"] == ["pass", "pass"]
    assert {c.capture_id for c in checks} == {captures[0].id, captures[6].id}
    (count,) = kept(kitchen, lambda r: list(r.counts()))
    assert (count.fields, count.round_id) == ((3, 0, 2), one.id)


async def test_after_kill_9_the_round_goes_on_and_json_tells_what_to_do(kitchen):
    first = kitchen.start("round", "short", *FAST)

    def reference_is_kept():
        rounds = kept(kitchen, Records.rounds) if (kitchen.folder / "water.db").exists() else []
        return bool(rounds) and any(v.position == 1 for v in rounds[0].visits)

    await walk(kitchen.folder, shown(first), lambda: is_true(reference_is_kept))
    first.send_signal(signal.SIGKILL)
    first.wait()
    again = kitchen.start("round", "--resume", "--json", *FAST)

    def guidance():
        whole, _, _ = again.out.read_text().rpartition("\n")  # the last line may be unfinished
        lines = [json.loads(line) for line in whole.splitlines()]
        return [line for line in lines if line["is"] == "guidance"]

    await walk(
        kitchen.folder,
        lambda: guidance()[-1]["say"] if guidance() else "",
        lambda: again.poll() is not None,
    )
    assert again.returncode == 0, again.err.read_text()
    said = [json.loads(line) for line in again.out.read_text().splitlines()]
    said = [line for line in said if line["is"] == "guidance"]
    assert said[-1]["over"]
    assert [stop["state"] for stop in said[0]["stops"]] == ["taken", "taken", "now"]
    (one,) = kept(kitchen, Records.rounds)
    assert one.state == "done"
    assert [v.position for v in one.visits if v.state == "taken"] == [0, 1, 2]


def is_true(ask):
    try:
        return ask()
    except (sqlite3.Error, OSError, StoreError):  # it is being made
        return False


async def test_a_round_beside_serve_goes_to_its_end_with_a_count_made_by_command(kitchen):
    served = kitchen.start("serve", *FAST)
    windows = []

    def say():
        if not windows:
            if not is_true(lambda: kept(kitchen, lambda r: next(iter(r.readings()), None))):
                return ""
            windows.append(kitchen.start("round", "counted"))
        return shown(windows[0])()

    told = []

    def is_over():
        failed = [w for w in windows[3:] if w.poll()]
        assert not failed, failed[0].err.read_text()
        return bool(windows) and windows[0].poll() is not None

    def also(now):
        if now.startswith("Leave the probe still in filtered"):
            windows.append(kitchen.start("round", "--resume"))
            windows.append(kitchen.start("round", "short"))
        if now.startswith("Count"):
            told.append(now)
            windows.append(kitchen.start("count", "tap", "--round", "last", "--fields", "1,0,4"))

    await walk(kitchen.folder, say, is_over, also=also)
    first, second, third, counting = windows
    assert first.returncode == 0, first.err.read_text()
    assert told
    assert counting.wait(10) == 0, counting.err.read_text()
    assert second.wait(10) == 0
    assert "goes on" in second.out.read_text()
    assert "The round is done" in second.out.read_text()
    assert third.wait(10) == 2
    assert "a round is under way" in third.err.read_text()
    kitchen.stop(served)
    (one,) = kept(kitchen, Records.rounds)
    assert one.state == "done"
    (count,) = kept(kitchen, lambda r: list(r.counts()))
    assert count.round_id == one.id
    assert [v.count_id for v in one.visits if v.position == 3] == [count.id]
