"""A stranger's meter: recorded by one program, replayed by another."""

from __future__ import annotations

import json

import pytest

from acquire.readings import CaptureState
from acquire.store.records import Records


def readings(done):
    lines = map(json.loads, done.stdout.splitlines())
    return [item for item in lines if item["is"] == "reading"]


@pytest.mark.parametrize("dialect", ["labelled", "polled"])
def test_what_was_recorded_is_read_again_exactly_by_somebody_without_the_meter(ouzel, dialect):
    ouzel.simulate("--water", "tap", "--dialect", dialect)
    words = ("--port", "./probe", "--profile", dialect, "--speed", "60", "--for", "40", "--json")
    live = ouzel.run("read", *words, "--record", "strange.rec")
    assert "Recorded" in live.stderr
    again = ouzel.run("read", "--json", "--replay", "strange.rec", "--speed", "1000")
    assert len(readings(live)) >= 10
    assert [r["values"] for r in readings(again)] == [r["values"] for r in readings(live)]
    assert "has ended" in again.stdout
    text = (ouzel.folder / "strange.rec").read_text(encoding="ascii")
    assert "./probe" not in text
    assert "/dev/" not in text


def test_ctrl_c_leaves_a_recording_whole(ouzel):
    ouzel.simulate("--water", "tap")
    child = ouzel.start("read", "--port", "./probe", "--speed", "60", "--record", "cut.rec")
    file = ouzel.folder / "cut.rec"
    ouzel.wait(lambda: file.exists() and file.read_text().count("<") >= 5, child)
    ouzel.stop(child)
    assert child.returncode == 0
    assert file.read_text().endswith(" closed\n")
    again = ouzel.run("read", "--json", "--replay", "cut.rec", "--speed", "1000")
    assert len(readings(again)) >= 4


def test_a_capture_can_be_taken_from_a_recording_and_from_the_store_it_went_into(ouzel):
    ouzel.simulate("--water", "tap", "--seed", "5")
    words = ("--speed", "60", "--timeout", "1800", "--store", "first.db")
    ouzel.run("capture", "--port", "./probe", *words)
    words = ("--speed", "600", "--timeout", "1800")
    done = ouzel.run("capture", "--json", "--replay", "first.db", "--store", "second.db", *words)
    said = json.loads(done.stdout)
    with Records.open(ouzel.folder / "first.db") as records:
        (first,) = records.captures(state=CaptureState.FINAL)
    for name, value in first.values.items():
        assert said["values"][name]["value"] == pytest.approx(value.value, abs=value.expanded_u)


def test_bad_files_are_one_clear_line(ouzel):
    (ouzel.folder / "there.rec").write_text("mine")
    ouzel.simulate("--water", "tap")
    words = ("--port", "./probe", "--for", "1")
    assert "would be lost" in ouzel.run("read", *words, "--record", "there.rec", code=2).stderr
    assert (ouzel.folder / "there.rec").read_text() == "mine"
    assert "no such file" in ouzel.run("read", "--replay", "gone.rec", code=2).stderr
    assert "not an export" in ouzel.run("read", "--replay", "there.rec", code=3).stderr
    assert "say one of" in ouzel.run("read", "--replay", "x", "--port", "./probe", code=2).stderr
