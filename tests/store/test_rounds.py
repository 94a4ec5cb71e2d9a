"""Rounds, visits and particle counts in the store: kept, changed, read back, refused."""

from __future__ import annotations

from dataclasses import replace

import pytest

from acquire.errors import StoreError
from acquire.readings import CaptureState, Role
from acquire.rounds import ParticleCount, Round, Stop, Visit
from acquire.store.records import Records
from acquire.store.writer import StoreWriter

AT = 1_790_000_000_000
STOPS = (
    Stop("check", "buffer 7", Role.SOLUTION, solution="buffer-7.00", note="=1+1 <b>"),
    Stop("rinse", "distilled", Role.RINSE, least_s=20.0),
    Stop("water", "reverse osmosis", Role.REFERENCE, repeats=3),
    Stop("count", "reverse osmosis"),
    Stop("check", "buffer 7", Role.SOLUTION, solution="buffer-7.00", is_closing=True),
)
ROUND = Round("abc12345", "sunday", 'name = "sunday"', "kitchen", AT, STOPS)
VISIT = Visit("abc12345", 0, 1, "taken", AT + 5, "c1", note="drops on it", flags=("a", "b"))
COUNT = ParticleCount(
    "p1", AT + 9, "reverse osmosis", (3, 0, 2), {"fibre": 4, "other": 1}, 7, 1.8, 0.02, 50.0, 2.0,
    324.0, 5.0, "FN 18, 10x", Role.REFERENCE, "abc12345", "dusty slide",
)  # fmt: skip


async def write(store, clock, *items):
    async with await StoreWriter.open(store, clock=clock) as writer:
        for item in items:
            await writer.keep(item)


async def test_a_round_comes_back_with_its_visits_and_counts(store, capture, fake_clock):
    skipped = Visit("abc12345", 1, 1, "skipped", AT + 6)
    counted = Visit("abc12345", 3, 1, "taken", AT + 9, count_id="p1")
    await write(
        store, fake_clock, capture("c1", CaptureState.FINAL), ROUND, VISIT, skipped, COUNT, counted
    )
    whole = replace(ROUND, visits=(VISIT, skipped, counted))
    with Records.open(store) as records:
        assert records.rounds() == [whole]
        assert records.rounds(since_ms=AT + 1) == []
        assert records.counts() == [COUNT]
        assert records.counts(water="reverse osmosis", round_id="abc12345") == [COUNT]
        assert records.counts(water="tap") == records.counts(round_id="none") == []


async def test_the_captures_of_a_round_come_once_each_in_the_order_of_its_visits(
    store, capture, fake_clock
):
    moved = replace(VISIT, position=2, at_ms=AT + 7)
    first = replace(VISIT, at_ms=AT + 1, repeat=2, capture_id="c0")
    gone = replace(VISIT, at_ms=AT + 8, repeat=3, capture_id="")
    await write(
        store, fake_clock, capture(), replace(capture(), id="c0"), ROUND, VISIT, moved, first, gone
    )
    with Records.open(store) as records:
        assert [one.id for one in records.visited(records.round("abc12345"))] == ["c0", "c1"]
        assert records.visited(replace(ROUND, visits=(gone,))) == []


async def test_a_round_is_found_by_the_beginning_of_its_id_when_only_one_has_it(store, fake_clock):
    await write(store, fake_clock, ROUND, replace(ROUND, id="abd"), replace(ROUND, id="abdef"))
    with Records.open(store) as records:
        assert records.round("abc") == ROUND
        assert records.round("abd") == replace(ROUND, id="abd")  # whole, though another begins so
        assert records.round("ab") is records.round("%") is records.round("") is None


async def test_what_is_kept_again_changes_its_state_and_nothing_is_lost(store, capture, fake_clock):
    done = replace(ROUND, state="done", ended_ms=AT + 60, note="fine")
    again = replace(VISIT, at_ms=AT + 20, flags=())
    aside = replace(VISIT, state="set aside")
    first = capture("c1", CaptureState.FINAL)
    await write(store, fake_clock, first, ROUND, VISIT, VISIT, aside, again, done)
    with Records.open(store) as records:
        assert records.rounds() == [replace(done, visits=(aside, again))]


@pytest.mark.parametrize(
    ("item", "why"),
    [
        (replace(VISIT, round_id="none"), "no round none"),
        (replace(VISIT, capture_id="c9"), "no capture c9"),
        (replace(VISIT, capture_id="", count_id="p9"), "refused by the schema"),
        (replace(VISIT, repeat=0), "from 1"),
        (replace(COUNT, fields=()), "at least one field"),
        (replace(COUNT, fields=(-5, 10)), "not below zero"),
        (replace(COUNT, shapes={"fibre": 1}), "add up"),
        (replace(COUNT, shapes={"worm": 5}), "fibre, fragment"),
        (replace(COUNT, drop_ul=float("nan")), "finite"),
        (replace(ROUND, state="lost"), "no state"),
        (replace(ROUND, began_ms=-1), "1970"),
    ],
)
async def test_what_cannot_be_is_refused_and_costs_nothing_else(
    store, capture, fake_clock, item, why
):
    async with await StoreWriter.open(store, clock=fake_clock) as writer:
        await writer.keep(capture("c1", CaptureState.FINAL))
        await writer.keep(ROUND)
        with pytest.raises(StoreError, match=why):
            await writer.keep(item)
    with Records.open(store) as records:
        assert records.rounds() == [ROUND]
        assert records.counts() == []
