"""The writer: what is kept when, what fails how, what a clock of any speed means to it."""

from __future__ import annotations

import asyncio
import math
import sqlite3
import subprocess
import sys
import textwrap
import time
from contextlib import closing

import pytest

from acquire.clock import SystemClock
from acquire.errors import StoreError
from acquire.readings import CaptureState, Event, Flag, Reading, Stamp
from acquire.store import Records, StoreWriter
from acquire.store import ledger as ledger_module
from acquire.store.ledger import Ledger
from acquire.store.rows import reading_rows


def count(store, table="readings"):
    with closing(sqlite3.connect(f"file:{store}?mode=ro", uri=True)) as connection:
        return connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]


async def test_a_reading_is_there_after_a_flush_and_not_acknowledged_before(
    store, fake_clock, said
):
    async with await StoreWriter.open(store, clock=fake_clock) as writer:
        await writer.add(said(0))
        assert writer.stats.readings == 0
        assert writer.stats.waiting == 1
        await writer.flush()
        assert (writer.stats.readings, writer.stats.rows, writer.stats.waiting) == (1, 2, 0)
        assert count(store) == 2
        assert writer.stats.wal_bytes > 0


async def test_a_stream_that_stops_is_committed_within_the_interval(store, fake_clock, said, until):
    async with await StoreWriter.open(store, clock=fake_clock, commit_every_s=10) as writer:
        await writer.add(said(0))
        await fake_clock.advance(9.5)
        assert count(store) == 0
        await fake_clock.advance(0.5)
        await until(lambda: writer.stats.readings == 1)
        assert count(store) == 2


async def test_a_stream_commits_once_an_interval(store, fake_clock, said, until):
    async with await StoreWriter.open(store, clock=fake_clock, commit_every_s=10) as writer:
        for second in range(100):
            await writer.add(said(second))
            await fake_clock.advance(1.0, step_s=1.0)
        await until(lambda: writer.stats.readings >= 90)
        assert 9 <= writer.stats.commits <= 10


async def test_arrivals_commit_when_the_timer_is_late(store, fake_clock, said, until):
    async with await StoreWriter.open(store, clock=fake_clock, commit_every_s=10) as writer:
        await writer.add(said(0))
        fake_clock._mono_s += 11  # time passed but nobody woke the timer
        await writer.add(said(11))
        await until(lambda: writer.stats.readings == 2)


async def test_a_fast_clock_commits_by_its_own_seconds(store, until):
    clock = SystemClock(speed=1000.0)
    async with await StoreWriter.open(store, clock=clock, commit_every_s=10) as writer:
        await writer.add(Reading("kitchen", clock.now(), {"ph": 7.0}))
        async with asyncio.timeout(2):  # ten of its seconds are 10 ms of ours
            await until(lambda: writer.stats.readings == 1)


async def test_a_capture_is_durable_when_keep_returns_with_all_that_came_before(
    store, fake_clock, said, capture
):
    async with await StoreWriter.open(store, clock=fake_clock) as writer:
        await writer.add(said(0))
        await writer.keep(capture())
        assert (count(store), count(store, "captures"), count(store, "capture_values")) == (2, 1, 2)
        assert writer.stats.commits == 1


async def test_many_captures_asked_for_at_once_share_commits(store, fake_clock, capture):
    async with await StoreWriter.open(store, clock=fake_clock) as writer:
        await asyncio.gather(*(writer.keep(capture(f"c{n}")) for n in range(200)))
        assert count(store, "captures") == 200
        assert writer.stats.commits < 100


async def test_a_capture_keeps_its_first_taken_and_every_state(store, fake_clock, capture):
    async with await StoreWriter.open(store, clock=fake_clock) as writer:
        first = capture(ph=7.01)
        last = capture(state=CaptureState.FINAL, taken_s=90, ph=7.02)
        await writer.keep(first)
        await writer.keep(last)
    with Records.open(store) as records:
        assert records.history("c1") == [first, last]
        now = records.capture("c1")
        assert now is not None
        assert (now.state, now.taken, now.values) == (last.state, first.taken, last.values)
        assert list(records.captures()) == [now]


async def test_keeping_the_same_state_again_changes_nothing(store, fake_clock, capture):
    async with await StoreWriter.open(store, clock=fake_clock) as writer:
        for _ in range(3):
            await writer.keep(capture())
    assert count(store, "capture_states") == 1


@pytest.mark.parametrize(
    "held", [CaptureState.FINAL, CaptureState.WITHDRAWN, CaptureState.UNSETTLED]
)
async def test_only_a_provisional_capture_changes_its_state(store, fake_clock, capture, held):
    async with await StoreWriter.open(store, clock=fake_clock) as writer:
        await writer.keep(capture(state=held))
        with pytest.raises(StoreError, match=f"is {held} and cannot become provisional"):
            await writer.keep(capture())
        renamed = capture(state=held, water="bathroom tap")
        await writer.keep(renamed)  # a name may be put right; the old one stays in the history
    with Records.open(store) as records:
        assert records.capture("c1") == renamed
        assert [one.water for one in records.history("c1")] == ["kitchen tap", "bathroom tap"]


async def test_a_refused_capture_takes_nothing_else_with_it(store, fake_clock, said, capture):
    async with await StoreWriter.open(store, clock=fake_clock) as writer:
        await writer.keep(capture("c1", CaptureState.FINAL))
        await writer.add(said(0))
        outcomes = await asyncio.gather(
            writer.keep(capture("c2")),
            writer.keep(capture("c1", meter="another")),
            writer.keep(capture("c3", meter="a third")),
            return_exceptions=True,
        )
        assert [type(outcome) for outcome in outcomes] == [type(None), StoreError, type(None)]
    with Records.open(store) as records:
        assert {one.id for one in records.captures()} == {"c1", "c2", "c3"}
        assert len(list(records.readings())) == 1


async def test_a_number_that_is_not_finite_is_never_stored(store, fake_clock, at):
    said = Reading(
        "kitchen",
        at(0),
        {"ph": math.nan, "orp": math.inf, "tds": -math.inf, "temperature": 21.5},
        {"orp": Flag.OVER_RANGE},
    )
    async with await StoreWriter.open(store, clock=fake_clock) as writer:
        await writer.add(said)
    with Records.open(store) as records:
        (read,) = records.readings()
    assert read.values == {"temperature": 21.5}
    assert read.flags == {"ph": Flag.ERROR, "orp": Flag.OVER_RANGE, "tds": Flag.ERROR}


@pytest.mark.parametrize(
    "bad",
    [
        Reading("kitchen", Stamp(-1, 0), {"ph": 7.0}),
        Reading("kitchen", Stamp(2**60, 0), {"ph": 7.0}),
        Reading("kitchen", Stamp(0, 2**70), {"ph": 7.0}),
        Reading("kitchen", Stamp(1.5, 0), {"ph": 7.0}),
        Reading("kitchen", Stamp(0, 0), {"ph": "seven"}),
        Reading("kitchen", Stamp(0, 0), {"ph": 7.0}, {"ph": "odd"}),
    ],
)
async def test_what_cannot_be_a_row_is_refused_to_its_sender_and_hurts_no_other(
    store, fake_clock, said, bad
):
    async with await StoreWriter.open(store, clock=fake_clock) as writer:
        await writer.add(said(0))
        with pytest.raises((StoreError, TypeError, KeyError)):
            await writer.add(bad)
        await writer.add(said(1))
        await writer.flush()
        assert writer.stats.readings == 2


async def test_hostile_names_are_kept_as_text(store, fake_clock, capture, at):
    name = "'); DROP TABLE readings; --\x00\ud800\u202e=1+1"
    async with await StoreWriter.open(store, clock=fake_clock) as writer:
        await writer.describe(name, driver="text_lines")
        await writer.add(Reading(name, at(0), {"ph": 7.0}))
        await writer.keep(capture(water=name, meter=name))
        await writer.keep(Event("note", at(1), name, name, {name: name}))
    with Records.open(store) as records:
        shown = "'); DROP TABLE readings; --\ufffd?\u202e=1+1"
        assert [one.meter for one in records.readings()] == [shown]
        assert [one.water for one in records.captures(water=name)] == [shown]
        assert next(records.events(meter=name)).data == {shown: shown}


async def test_a_second_writer_is_refused_and_named(store, fake_clock):
    import os

    from acquire.errors import StoreTaken

    async with await StoreWriter.open(store, clock=fake_clock):
        with pytest.raises(StoreTaken, match=f"process {os.getpid()} is writing"):
            await StoreWriter.open(store, clock=fake_clock)
        link = store.with_name("other-name.db")
        link.symlink_to(store)
        with pytest.raises(StoreTaken):
            await StoreWriter.open(link, clock=fake_clock)
    async with await StoreWriter.open(store, clock=fake_clock):
        pass


async def test_a_full_queue_waits_then_fails_loudly_and_goes_on_when_the_disk_does(
    store, fake_clock, said
):
    writer = await StoreWriter.open(store, clock=fake_clock, patience_s=0.03, capacity=3)
    async with writer:
        with closing(sqlite3.connect(store, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")  # holds the store: commits must wait
            for second in range(3):
                await writer.add(said(second))
            with pytest.raises(StoreError, match="3 readings wait to be written"):
                await writer.add(said(3))
            other.execute("ROLLBACK")
        await writer.add(said(3))  # the same again: a retry
        await writer.flush()
        assert writer.stats.readings == 4
    with Records.open(store) as records:
        assert len(list(records.readings())) == 4


async def test_adding_faster_than_the_disk_only_waits(store, fake_clock, said):
    async with await StoreWriter.open(store, clock=fake_clock, capacity=10) as writer:
        for n in range(500):
            await writer.add(said(n / 10))
            assert writer.stats.waiting <= 10
    with Records.open(store) as records:
        assert len(list(records.readings())) == 500


async def test_closing_keeps_what_waits_and_leaves_one_file(store, fake_clock, said):
    writer = await StoreWriter.open(store, clock=fake_clock)
    await writer.add(said(0))
    await writer.close()
    await writer.close()
    assert sorted(path.name for path in store.parent.iterdir()) == ["water.db", "water.db.lock"]
    assert count(store) == 2
    for call in (writer.add(said(1)), writer.flush()):
        with pytest.raises(StoreError, match="closed"):
            await call


async def test_a_task_that_is_cancelled_leaves_everything_it_added(store, fake_clock, said):
    started = asyncio.Event()

    async def work():
        async with await StoreWriter.open(store, clock=fake_clock) as writer:
            for second in range(5):
                await writer.add(said(second))
            started.set()
            await asyncio.Event().wait()

    task = asyncio.create_task(work())
    await started.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert count(store) == 10


async def test_a_close_that_is_cancelled_is_still_done(store, fake_clock, said, until):
    writer = await StoreWriter.open(store, clock=fake_clock)
    await writer.add(said(0))
    closing_task = asyncio.create_task(writer.close())
    await asyncio.sleep(0)
    closing_task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await closing_task
    await writer.close()
    assert count(store) == 2
    with Records.open(store) as records:
        assert records.runs()[0].is_clean


async def test_an_open_that_is_cancelled_gives_the_store_back(store, fake_clock, until):
    task = asyncio.create_task(StoreWriter.open(store, clock=fake_clock))
    await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    async with asyncio.timeout(5):
        while True:
            try:
                async with await StoreWriter.open(store, clock=fake_clock):
                    return
            except StoreError:
                await asyncio.sleep(0.002)


def test_a_program_that_forgets_to_close_loses_nothing(store):
    program = """
        import asyncio, sys
        from acquire.clock import SystemClock
        from acquire.readings import Reading
        from acquire.store import StoreWriter

        async def main():
            clock = SystemClock()
            writer = await StoreWriter.open(sys.argv[1], clock=clock)
            await writer.add(Reading("kitchen", clock.now(), {"ph": 7.0}))
            raise SystemExit(3)

        asyncio.run(main())
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(program), str(store)], timeout=30, check=False
    )
    assert done.returncode == 3
    with Records.open(store) as records:
        assert len(list(records.readings())) == 1
        assert records.runs()[0].is_clean


async def test_a_meter_described_anew_leaves_what_was_read_before_as_it_was(
    store, fake_clock, said, channels
):
    from dataclasses import replace

    async with await StoreWriter.open(store, clock=fake_clock) as writer:
        await writer.add(said(0, dissolved_oxygen=8.1))  # nobody described it yet
        await writer.describe(
            "kitchen",
            driver="text_lines",
            profile="labelled",
            channels=channels,
            units={"dissolved_oxygen": "mg/L"},
        )
        await writer.add(said(1, ph=7.0))
        finer = [replace(channel, resolution=0.001) for channel in channels]
        await writer.describe("kitchen", driver="text_lines", profile="labelled", channels=finer)
        await writer.add(said(2, ph=7.0))
        await writer.describe("kitchen", driver="text_lines", profile="labelled", channels=channels)
        await writer.add(said(3, ph=7.0))
    with Records.open(store) as records:
        of_ph = [one for one in records.series() if one.quantity == "ph"]
        assert [(one.channel.resolution, one.is_current) for one in of_ph] == [
            (0.001, False),
            (0.01, True),
        ]
        assert of_ph[1].channel == channels[0]
        assert len(list(records.readings())) == 4
    with closing(sqlite3.connect(store)) as connection:
        assert connection.execute(
            "SELECT resolution, count(*) FROM readings JOIN series ON series.id = series "
            "WHERE quantity = 'ph' GROUP BY 1 ORDER BY 1"
        ).fetchall() == [(0.001, 1), (0.01, 2)]


async def test_a_quantity_of_the_persons_own_keeps_its_unit(store, fake_clock, at):
    from acquire.readings import Channel

    async with await StoreWriter.open(store, clock=fake_clock) as writer:
        await writer.describe(
            "tank",
            driver="text_lines",
            channels=[Channel("dissolved_oxygen", 0.1)],
            units={"dissolved_oxygen": "mg/L"},
        )
        await writer.add(Reading("tank", at(0), {"dissolved_oxygen": 8.1}))
    with Records.open(store) as records:
        ((_, units),) = records.readings_in_units()
        assert units == {"dissolved_oxygen": "mg/L"}
        assert records.latest()[0].unit == "mg/L"


@pytest.mark.parametrize("setting", ["commit_every_s", "patience_s", "capacity"])
async def test_a_setting_that_is_not_above_zero_is_a_mistake(store, fake_clock, setting):
    with pytest.raises(ValueError, match="above zero"):
        await StoreWriter.open(store, clock=fake_clock, **{setting: 0})


async def test_a_fault_of_ours_in_writing_reaches_the_caller_and_leaves_the_writer_working(
    store, fake_clock, said, capture, monkeypatch
):
    from acquire.store.tables import Tables

    def fail(self, capture):
        raise RuntimeError("a fault")

    async with await StoreWriter.open(store, clock=fake_clock) as writer:
        await writer.add(said(0))
        with monkeypatch.context() as patch:
            patch.setattr(Tables, "keep", fail)
            with pytest.raises(StoreError, match="a fault"):
                await writer.keep(capture())
        assert writer.stats.readings == 0
        await writer.keep(capture())
        assert writer.stats.readings == 1
    assert count(store, "captures") == 1


def test_the_log_is_emptied_into_the_file_before_it_grows_large(store, said, monkeypatch):
    monkeypatch.setattr(ledger_module, "_CHECKPOINT_BYTES", 50_000)
    ledger = Ledger(store, said(0).stamp)
    wal = store.with_name("water.db-wal")
    largest = 0
    for first in range(0, 10_000, 500):  # every 350 s: longer than they stay in the tail
        ledger.commit([reading_rows(said(s * 0.7)) for s in range(first, first + 500)])
        largest = max(largest, wal.stat().st_size)
    assert ledger.checkpoints > 2
    assert largest < 200_000
    assert ledger.wal_bytes > 2 * largest
    ledger.close(said(0).stamp)


def test_who_reads_for_long_delays_neither_a_commit_nor_the_end(store, said, monkeypatch):
    monkeypatch.setattr(ledger_module, "_CHECKPOINT_BYTES", 10_000)
    ledger = Ledger(store, said(0).stamp)
    ledger.commit([reading_rows(said(s)) for s in range(100)])
    with closing(sqlite3.connect(store, isolation_level=None)) as reader:
        reader.execute("BEGIN")
        assert reader.execute("SELECT count(*) FROM readings").fetchone() == (200,)
        began = time.monotonic()
        for first in (100, 200):
            ledger.commit([reading_rows(said(s)) for s in range(first, first + 100)])
        ledger.close(said(0).stamp)
        assert time.monotonic() - began < 1.0  # the busy time-out is 5 s
        assert reader.execute("SELECT count(*) FROM readings").fetchone() == (200,)
    assert count(store, "readings") == 600
    Ledger(store, said(0).stamp).close(said(0).stamp)
    assert not store.with_name("water.db-wal").exists()


def test_a_commit_is_on_the_disk_and_no_one_else_empties_the_log(store, said):
    ledger = Ledger(store, said(0).stamp)
    found = [
        ledger._connection.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("synchronous", "wal_autocheckpoint", "journal_mode", "foreign_keys")
    ]
    ledger.close(said(0).stamp)
    assert found == [2, 0, "wal", 1]
