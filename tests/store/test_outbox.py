"""What waits to be carried outward: queued with the thing, bounded, never lost by accident."""

from __future__ import annotations

import sqlite3
from contextlib import closing

import pytest

from acquire.clock import SystemClock
from acquire.errors import StoreError
from acquire.readings import CaptureState, Event, Stamp
from acquire.store.ledger import Ledger
from acquire.store.migrations import STEPS
from acquire.store.outbox import Carrier, Delivered, Outbox, Refused
from acquire.store.rows import capture_rows, event_row
from acquire.store.writer import StoreWriter


def event(n, kind="meter_lost"):
    return Event(kind, Stamp(1_790_000_000_000 + n, n), "kitchen", str(n))


@pytest.fixture
async def writer(store):
    async with await StoreWriter.open(store, clock=SystemClock()) as writer:
        yield writer


@pytest.fixture
def waiting(store):
    def look(carrier="mqtt", **more):
        with Outbox.open(store) as outbox:
            return outbox.take(carrier, **more)

    return look


async def test_nothing_waits_where_nobody_carries(writer, waiting, capture):
    await writer.keep(capture())
    assert waiting() == []


async def test_every_state_of_a_capture_waits_as_it_was_and_in_order(writer, waiting, capture):
    await writer.keep(Carrier("mqtt"))
    await writer.keep(event(1))
    await writer.keep(capture(ph=7.0))
    await writer.keep(capture(ph=7.0))  # asked for again: nothing new
    await writer.keep(capture("c2", ph=4.0, taken_s=80))
    await writer.keep(capture(state=CaptureState.FINAL, ph=7.1))
    found = waiting()
    assert [one.id for one in found] == sorted(one.id for one in found)
    told, *captures = [one.thing for one in found]
    assert told == event(1)
    assert [(c.id, c.state.value, c.values["ph"].value) for c in captures] == [
        ("c1", "provisional", 7.0),
        ("c2", "provisional", 4.0),
        ("c1", "final", 7.1),
    ]
    assert [one.number for one in found] == [0, 1, 1, 2]


async def test_what_befalls_an_outlet_does_not_wait_for_it(writer, waiting):
    await writer.keep(Carrier("mqtt"))
    await writer.keep(event(1, "outlet_failed"))
    assert waiting() == []


async def test_only_what_is_delivered_goes_and_what_is_refused_stays_with_its_reason(
    writer, waiting, store
):
    await writer.keep(Carrier("mqtt"))
    for n in range(3):
        await writer.keep(event(n))
    first, second, third = waiting()
    await writer.keep(Delivered((first.id, third.id)))
    await writer.keep(Refused(second.id, "not authorized"))
    (left,) = waiting()
    assert (left.thing, left.refused) == (event(1), "not authorized")
    with Outbox.open(store) as outbox:
        standing = outbox.standing("mqtt")
    assert (standing.waiting, standing.refused, standing.dropped) == (1, 1, 0)
    assert standing.oldest_ms == event(1).stamp.at_ms


async def test_a_number_is_never_used_again(writer, waiting):
    await writer.keep(Carrier("mqtt"))
    await writer.keep(event(1))
    (one,) = waiting()
    await writer.keep(Delivered((one.id,)))
    await writer.keep(event(2))
    await writer.keep(Delivered((one.id,)))  # the acknowledgement came twice
    assert [left.thing for left in waiting()] == [event(2)]


async def test_over_the_limit_the_oldest_events_go_before_any_capture(
    writer, waiting, capture, store
):
    await writer.keep(Carrier("mqtt", most=4))
    await writer.keep(capture("c1"))
    for n in range(5):
        await writer.keep(event(n))
    assert [one.thing for one in waiting()[1:]] == [event(n) for n in (2, 3, 4)]
    for n in range(2, 7):
        await writer.keep(capture(f"c{n}", taken_s=60 + n))
    assert [one.thing.id for one in waiting()] == ["c3", "c4", "c5", "c6"]
    with Outbox.open(store) as outbox:
        standing = outbox.standing("mqtt")
    assert (standing.waiting, standing.dropped) == (4, 7)


async def test_a_smaller_limit_takes_effect_at_once(writer, waiting, store, capture):
    await writer.keep(Carrier("mqtt", most=100))
    await writer.keep(capture())
    for n in range(9):
        await writer.keep(event(n))
    await writer.keep(Carrier("mqtt", most=3))
    assert [type(one.thing).__name__ for one in waiting()] == ["Capture", "Event", "Event"]
    with Outbox.open(store) as outbox:
        assert outbox.standing("mqtt").dropped == 7


async def test_two_carriers_do_not_take_from_each_other(writer, waiting):
    await writer.keep(Carrier("mqtt"))
    await writer.keep(Carrier("other"))
    await writer.keep(event(1))
    (one,) = waiting("mqtt")
    await writer.keep(Delivered((one.id,)))
    assert waiting("mqtt") == []
    assert len(waiting("other")) == 1
    await writer.keep(Carrier("other", is_on=False))
    await writer.keep(event(2))
    assert waiting("other") == []
    assert len(waiting("mqtt")) == 1


def test_the_thing_and_its_place_in_the_outbox_are_one_transaction(store, capture):
    """A commit that fails leaves neither; what is refused leaves neither."""
    ledger = Ledger(store, Stamp(1_790_000_000_000, 0))
    ledger.commit([], [Carrier("mqtt")])
    good, bad = capture_rows(capture()), capture_rows(capture("c1", meter="other", ph=9.0))
    assert ledger.commit([], [good])[0] is None
    assert isinstance(ledger.commit([], [bad])[0], StoreError)
    broken = event_row(event(1))
    object.__setattr__(broken, "row", (1, 2, None, "", "", "{}"))
    assert ledger.commit([], [broken])[0] is not None
    ledger.close(Stamp(1_790_000_000_000, 0))
    with closing(sqlite3.connect(store)) as connection:
        assert connection.execute("SELECT count(*) FROM outbox").fetchone() == (1,)
        assert connection.execute("SELECT waiting FROM carriers").fetchone() == (1,)
        assert connection.execute("SELECT count(*) FROM events").fetchone() == (0,)


def test_a_store_from_before_the_outbox_gets_one(store, capture):
    ledger = Ledger(store, Stamp(1_790_000_000_000, 0), STEPS[:1])
    ledger.commit([], [capture_rows(capture())])
    ledger.close(Stamp(1_790_000_000_000, 0))
    ledger = Ledger(store, Stamp(1_790_000_000_000, 0))
    ledger.commit([], [Carrier("mqtt"), event_row(event(1))])
    ledger.close(Stamp(1_790_000_000_000, 0))
    with Outbox.open(store) as outbox:
        assert [one.thing for one in outbox.take("mqtt")] == [event(1)]
