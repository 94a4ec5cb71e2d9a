"""Counting particles as a person does it."""

from __future__ import annotations

import asyncio
import json
import os
import pty
import subprocess
import sys

from acquire.clock import SystemClock
from acquire.store.writer import StoreWriter

OPTICS = ("--field-number", "18", "--objective", "10", "--drop", "50", "--slip", "18x18")


def test_a_count_is_kept_compared_withdrawn_and_restored(ouzel):
    store = ("--store", "w.db")
    out = ouzel.run("count", "tap", "--fields", "9,7,8", "--shape", "fibre=24", *OPTICS, *store)
    assert "per mL" in out.stdout
    assert "cannot prove plastic" in " ".join(out.stdout.split())
    assert "certified laboratory" in " ".join(out.stdout.split())
    ouzel.run("count", "ro", "--fields", "0,0,0", *OPTICS, *store)
    said = json.loads(ouzel.run("count", "tap", "--against", "ro", "--json", *store).stdout)
    assert (said["verdict"], said["ratio"]["value"]) == ("yes", None)
    listed = json.loads(ouzel.run("count", "--list", "--json", *store).stdout)["counts"]
    assert [one["total"] for one in listed] == [24, 0]
    name = listed[0]["id"]
    ouzel.run("count", "--withdraw", name, "--note", "bubbles", *store)
    assert "WITHDRAWN: bubbles" in ouzel.run("count", "--list", *store).stdout
    assert "no count" in ouzel.run("count", "tap", "--against", "ro", *store, code=2).stderr
    ouzel.run("count", "--restore", name, *store)
    ouzel.run("count", "tap", "--against", "ro", *store)


def test_taking_back_speaks_json_too(ouzel):
    store = ("--store", "w.db", "--json")
    name = json.loads(ouzel.run("count", "tap", "--fields", "1, 0 2", *store).stdout)["id"]
    for changed in (True, False):
        said = json.loads(ouzel.run("count", "--withdraw", name, *store).stdout)
        assert (said["id"], said["is_withdrawn"], said["changed"]) == (name, True, changed)
    said = json.loads(ouzel.run("count", "--restore", name, *store).stdout)
    assert (said["is_withdrawn"], said["changed"]) == (False, True)


def test_nothing_that_was_said_is_dropped_in_silence(ouzel):
    """An empty field was left out, and an uncertainty without its size had no effect."""
    store = ("--store", "w.db")
    for *odd, code in (
        ("--fields", "3,,2", 2),
        ("--fields", "1_0", 2),
        ("--fields", "", 2),
        ("--fields", "1,2", "--field-u", "0.1", 2),
        ("--fields", "1,2", "--drop-u", "3", 2),
        ("--fields", "1,2", "--field-mm", "1", "--drop", "1e-320", "--slip", "18x18", 6),
    ):
        ouzel.run("count", "tap", *odd, *store, code=code)
    assert "which water" in ouzel.run("count", " ", "--fields", "1", *store, code=2).stderr
    assert not (ouzel.folder / "w.db").exists()


def test_a_history_since_a_day_leaves_older_counts_out(ouzel):
    ouzel.run("count", "tap", "--fields", "1,2", "--store", "w.db")
    assert "Particles" in ouzel.run("history", "tap", "--store", "w.db").stdout
    done = ouzel.run("history", "tap", "--since", "2099-01-01", "--store", "w.db", code=2)
    assert "since that day" in done.stderr
    done = ouzel.run("history", "tap", "--quantity", "ph", "--store", "w.db", code=2)
    assert "only particles" in done.stderr


def test_what_cannot_be_is_refused_before_anything_is_kept(ouzel):
    done = ouzel.run(
        "count", "tap", "--fields", "1,2", "--shape", "fibre=9", "--store", "w.db", code=6
    )
    assert "add up" in done.stderr
    assert not (ouzel.folder / "w.db").exists()
    assert "--fields" in ouzel.run("count", "tap", "--store", "w.db", code=2).stderr
    assert "allowed" in ouzel.run("count", "tap", "--fields", "a", code=2).stderr


def test_asked_field_after_field_with_a_way_back(ouzel):
    main, side = pty.openpty()
    child = subprocess.Popen(
        [sys.executable, "-m", "acquire", "count", "tap", "--store", "w.db", "--json"],
        cwd=ouzel.folder, env=ouzel.environment, stdin=side, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    os.close(side)
    os.write(main, b"3\n7\n-\nx\n0\n\n2\n1\n4\n18\n10\n50\n\n")
    out, err = child.communicate(timeout=60)
    os.close(main)
    assert child.returncode == 0, err
    said = json.loads(out)
    assert said["fields"] == [3, 0]
    assert said["shapes"] == {"fibre": 2, "fragment": 1}
    assert said["bubbles"] == 4
    assert said["field_mm"] == 1.8
    assert said["per_ml"]["value"] > 0
    assert "took back 7" in err


def test_a_running_serve_keeps_what_other_commands_type(ouzel):
    (ouzel.folder / "ouzel.toml").write_text(
        '[store]\npath = "w.db"\n[page]\nport = 0\n[meters.strip]\ndriver = "by_hand"\n'
    )
    serve = ouzel.start("serve")
    ouzel.wait((ouzel.folder / "w.db.page").exists, serve)
    out = ouzel.run("count", "tap", "--fields", "1,2", "--json")
    name = json.loads(out.stdout)["id"]
    listed = json.loads(ouzel.run("count", "--list", "--json").stdout)["counts"]
    assert [(one["id"], one["total"]) for one in listed] == [(name, 3)]
    ouzel.run("count", "--withdraw", name)
    assert "WITHDRAWN" in ouzel.run("count", "--list").stdout
    ouzel.run("count", "--restore", name)
    refused = ouzel.run("correct", "strip", "ph", "--undo", "--yes", code=5)
    assert "no correction" in refused.stderr
    ouzel.stop(serve)
    assert json.loads(ouzel.run("count", "--list", "--json").stdout)["counts"][0]["total"] == 3


def test_while_another_writes_nothing_typed_is_lost(ouzel):
    """Somebody holds the store who answers nothing."""

    async def main():
        async with await StoreWriter.open(ouzel.folder / "w.db", clock=SystemClock()):
            return await asyncio.to_thread(
                ouzel.run, "count", "my tap", "--fields", "1,2", "--store", "w.db", code=5
            )

    done = asyncio.run(main())
    assert "ouzel count 'my tap' --fields 1,2" in done.stderr
