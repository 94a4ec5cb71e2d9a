"""What is new in a store: numbered in the order it was kept, never skipped, never told twice."""

from __future__ import annotations

from dataclasses import replace

import pytest

from acquire.readings import Capture, CaptureState, Event, Role, SettledValue, Stamp
from acquire.store.records import Records
from acquire.store.writer import StoreWriter


def capture(name, state=CaptureState.PROVISIONAL, at_ms=1_000_000, **more):
    value = SettledValue("ph", 7.01, 0.02, "settled", 0.0, 80.0)
    stamp = Stamp(at_ms, at_ms * 1_000_000)
    return Capture(name, "kitchen", state, stamp, stamp, {"ph": value}, "tap", **more)


def event(text, at_ms=1_000_000):
    return Event("note", Stamp(at_ms, at_ms * 1_000_000), "kitchen", text)


@pytest.fixture
async def store(tmp_path, fake_clock):
    path = tmp_path / "water.db"
    async with await StoreWriter.open(path, clock=fake_clock) as writer:
        yield writer, path


async def test_every_state_and_event_is_told_once_in_the_order_it_was_kept(store):
    writer, path = store
    kept = [
        capture("a"),
        event("one"),
        capture("b", at_ms=2_000_000),
        capture("a", CaptureState.FINAL),
        event("two", at_ms=500),  # the clock went back: the order kept is the order told
        replace(capture("b", CaptureState.FINAL, at_ms=2_000_000), water="renamed"),
        replace(capture("a", CaptureState.FINAL), water="renamed long after"),
    ]
    for item in kept:
        await writer.keep(item)
    with Records.open(path) as records:
        told = records.news(0)
        assert [(getattr(n.item, "id", ""), getattr(n.item, "state", n.item)) for n in told] == [
            (getattr(item, "id", ""), getattr(item, "state", item)) for item in kept
        ]
        assert told[-1].item.water == "renamed long after"
        assert told[0].item.water == "tap"  # as it was then
        assert [n.number for n in told] == sorted({n.number for n in told})
        assert records.last_news() == told[-1].number
        for n, one in enumerate(told):
            assert records.news(one.number) == told[n + 1 :]
        assert records.news(0, upto=told[3].number) == told[:4]
        assert records.news(told[1].number, most=2) == told[2:4]


async def test_events_are_leafed_through_from_the_last_kept(store):
    writer, path = store
    for n in range(7):
        await writer.keep(event(str(n)))
    with Records.open(path) as records:
        first = records.events_before(most=3)
        assert [one.text for _, one in first] == ["6", "5", "4"]
        more = records.events_before(first[-1][0], most=10)
        assert [one.text for _, one in more] == ["3", "2", "1", "0"]
        assert records.events_before(kind="other") == []
        assert len(records.events_before(meter="kitchen", most=100)) == 7


async def test_the_waters_are_those_of_final_captures(store):
    writer, path = store
    await writer.keep(capture("a", CaptureState.FINAL, role=Role.REFERENCE))
    await writer.keep(capture("b", CaptureState.FINAL, at_ms=3_000_000, role=Role.SUBJECT))
    await writer.keep(replace(capture("c", CaptureState.UNSETTLED), water="never at rest"))
    await writer.keep(replace(capture("d", CaptureState.FINAL, at_ms=9_000_000), water="rain"))
    with Records.open(path) as records:
        rain, tap = records.waters()
    assert (rain.water, rain.captures, rain.role) == ("rain", 1, None)
    assert (tap.water, tap.captures, tap.first_ms, tap.last_ms) == ("tap", 2, 1_000_000, 3_000_000)
    assert tap.role is Role.SUBJECT
