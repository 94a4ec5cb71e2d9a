"""Rounds begun and taken up again from a store."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest

from acquire.config import load
from acquire.readings import Capture, CaptureState, Channel, Role, SettledValue, Stamp
from acquire.rounds import Round, Stop, Visit
from acquire.store.writer import StoreWriter
from acquire.walking import BenchOf, Walking

AT = 1_790_000_000_000
PLAN = '[[stop]]\nreference = "ro"\n\n[[stop]]\nsubject = "tap"\n'
STOPS = (Stop("water", "ro", Role.REFERENCE), Stop("water", "tap", Role.SUBJECT))
EARLIER = Round("earlier", "sunday", PLAN, "kitchen", AT, STOPS, "done")
OPEN = Round("open", "sunday", PLAN, "kitchen", AT + 1000, STOPS)
AHEAD_MS = AT + 3_600_000


def taken(name, water, at_ms):
    values = {"conductivity": SettledValue("conductivity", 14.0, 0.5, "settled", 0.0, 60.0)}
    stamp = Stamp(at_ms, 0)
    return Capture(name, "kitchen", CaptureState.FINAL, stamp, stamp, values, water, Role.REFERENCE)


@pytest.fixture
async def walking(tmp_path, fake_clock, monkeypatch):
    """A store whose earlier round was walked before the clock was set back by an hour."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "plans").mkdir()
    (tmp_path / "plans" / "sunday.toml").write_text(PLAN, encoding="utf-8")
    store = tmp_path / "water.db"
    async with await StoreWriter.open(store, clock=fake_clock) as writer:
        await writer.keep(taken("ahead", "ro", AHEAD_MS))
        await writer.keep(EARLIER)
        await writer.keep(Visit("earlier", 0, 1, "taken", AHEAD_MS, "ahead"))
        await writer.keep(taken("mine", "ro", AT + 2000))
        await writer.keep(OPEN)
    return Walking(load(None), store, lambda: "new")


def bench():
    channels = (Channel("conductivity", 1.0),)
    plan = SimpleNamespace(expect=lambda *_: None, expect_nothing=lambda: None)
    return BenchOf("kitchen", SimpleNamespace(plan=plan), channels, {})


async def test_a_new_round_takes_nothing_of_an_earlier_one_though_the_clock_was_set_back(walking):
    walking.begin(bench(), "sunday", Stamp(AT + 9000, 0))
    assert walking.walk_of("kitchen").course.visits == ()


async def test_an_interrupted_round_takes_up_what_belongs_to_no_other(walking):
    _, news = walking.begin(bench(), "", Stamp(AT + 9000, 0), resume=True)
    (visit,) = walking.walk_of("kitchen").course.visits
    assert (visit.capture_id, visit.position) == ("mine", 0)
    assert replace(OPEN, visits=()) in news
