"""Checks and corrections in the store: kept, read back, undone; old stores learn them."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace

import pytest

from acquire.checks import Anchor, Check, StandingCorrection, in_force
from acquire.errors import StoreError
from acquire.readings import CaptureState, Channel, SettledValue, Stamp
from acquire.store.ledger import Ledger
from acquire.store.records import Records
from acquire.store.rows import reading_rows
from acquire.store.writer import StoreWriter
from acquire.water.corrections import Correction

T0 = Stamp(1_790_000_000_000, 10**12)
CHECK = Check(
    capture_id="c1", meter="kitchen", quantity="ph", at_ms=T0.at_ms, solution="buffer-7.00",
    label="Technical pH buffer 7.00", source="a table", method="at 21 °C", temp_c=21.0,
    temp_from="meter", said=7.05, said_u=0.02, expected=7.02, expected_u=0.02, allowed=0.05,
    allowed_by="the maker", verdict="pass", reason="off by +0.03",
)  # fmt: skip


def correction(at_ms=T0.at_ms, offset=-0.03, **changes):
    made = StandingCorrection(
        "kitchen",
        "ph",
        Correction(offset),
        (Anchor(7.05, 7.02, 0.014, "c1"),),
        at_ms,
    )
    return replace(made, **changes)


async def write(store, clock, *items):
    async with await StoreWriter.open(store, clock=clock) as writer:
        for item in items:
            await writer.keep(item)


async def test_a_check_comes_back_equal_found_by_meter_and_by_capture(store, capture, fake_clock):
    other = replace(CHECK, quantity="tds", corrected=3.0, corrected_u=0.1, allowed=None)
    await write(store, fake_clock, capture("c1", CaptureState.FINAL), CHECK, other)
    with Records.open(store) as records:
        assert records.checks() == [CHECK, other]
        assert records.checks(meter="kitchen", capture_id="c1") == [CHECK, other]
        assert records.checks(meter="cellar") == records.checks(capture_id="c2") == []


async def test_a_capture_judged_anew_has_only_the_later_judgement(store, capture, fake_clock):
    later = replace(CHECK, solution="phosphate", verdict="fail")
    await write(store, fake_clock, capture("c1", CaptureState.FINAL), CHECK, later)
    with Records.open(store) as records:
        assert records.checks() == [later]


async def test_a_check_of_a_capture_that_is_not_there_is_refused(store, capture, fake_clock):
    with pytest.raises(StoreError, match="no capture c1"):
        await write(store, fake_clock, CHECK)
    with pytest.raises(StoreError, match="finite"):
        await write(store, fake_clock, replace(CHECK, said=float("nan")))


async def test_undoing_a_correction_lets_the_one_before_it_hold_again(store, capture, fake_clock):
    first, second = correction(), correction(T0.at_ms + 1, offset=-0.05)
    await write(store, fake_clock, capture("c1", CaptureState.FINAL), CHECK, first, second)
    with Records.open(store) as records:
        assert in_force(records.corrections(meter="kitchen")) == {"ph": second}
        assert records.corrections(meter="cellar") == []
    async with await StoreWriter.open(store, clock=fake_clock) as writer:
        await writer.undo_correction("kitchen", "ph")
        with Records.open(store) as records:
            kept = records.corrections()
            assert in_force(kept) == {"ph": first}
            assert kept[1].undone_ms == fake_clock.now().at_ms  # nothing is ever deleted
        await writer.undo_correction("kitchen", "ph")
        with pytest.raises(StoreError, match="no correction of ph is in force for kitchen"):
            await writer.undo_correction("kitchen", "ph")


async def test_a_line_through_zero_and_a_check_comes_back_with_both_its_points(
    store, capture, fake_clock
):
    line = replace(
        correction(),
        line=Correction(0.0, 1.02),
        anchors=(Anchor(0, 0, 0), Anchor(7.05, 7.02, 0.014, "c1")),
    )
    await write(store, fake_clock, capture("c1", CaptureState.FINAL), CHECK, line)
    with Records.open(store) as records:
        assert records.corrections() == [line]
        assert line.check_ids == ("c1",)


async def test_a_correction_that_names_a_check_which_is_none_is_refused_whole(
    store, capture, fake_clock
):
    with pytest.raises(StoreError):
        await write(store, fake_clock, capture("c1", CaptureState.FINAL), correction())
    with Records.open(store) as records:
        assert records.corrections() == []


async def test_derived_values_stand_beside_the_meters_own(store, capture, fake_clock):
    derived = SettledValue(
        "ph", 7.0, 0.05, "settled", 0.0, 42.0, "derived", "corrected by -0.01 (check c0)"
    )
    taken = replace(capture("c1", CaptureState.FINAL), derived={"ph": derived})
    await write(store, fake_clock, taken, taken)
    with Records.open(store) as records:
        assert records.capture("c1") == taken
        assert records.history("c1") == [taken]  # kept twice, there once
    with closing(sqlite3.connect(store)) as connection:
        rows = connection.execute(
            "SELECT quantity, value, source FROM captures_in_words WHERE quantity = 'ph'"
        ).fetchall()
    assert rows == [("ph", 7.01, "meter"), ("ph", 7.0, "derived")]


async def test_the_reference_electrode_of_a_meter_is_kept(store, fake_clock):
    channel = Channel("orp", 1.0, reference_electrode="ag-agcl-3m")
    async with await StoreWriter.open(store, clock=fake_clock) as writer:
        await writer.describe("kitchen", driver="text_lines", channels=[channel])
        with Records.open(store) as records:
            assert records.channels("kitchen") == {"orp": channel}
        await writer.describe("kitchen", driver="text_lines", channels=[Channel("orp", 1.0)])
        with Records.open(store) as records:
            assert records.channels("kitchen")["orp"].reference_electrode is None
            assert len(records.series()) == 2


def test_a_store_of_version_1_learns_checks_and_keeps_everything(store, said):
    old = Ledger(store, T0, ())
    old.commit([reading_rows(said(s)) for s in range(10)])
    old._connection.execute(
        "INSERT INTO captures VALUES (1, 'c1', 1, 1, 0, 0, 9, 9, 1, 'final', 'tap', NULL, '')"
    )
    old._connection.execute(
        "INSERT INTO capture_states VALUES (1, 1, 'final', 9, 9, 'tap', '', '')"
    )
    old._connection.execute(
        "INSERT INTO capture_values VALUES (1, 1, 'ph', 0, '[pH]', 7.1, 0.02, 'settled', 0, 1, "
        "'meter', '', '', '{}')"
    )
    before = old._connection.execute("SELECT * FROM captures_in_words").fetchall()
    old.close(T0)
    with pytest.raises(StoreError, match="start"):
        Records.open(store)
    Ledger(store, T0).close(T0)
    with Records.open(store) as records:
        assert len(list(records.readings())) == 10
        assert records.capture("c1").values["ph"].value == 7.1
        assert records.capture("c1").derived == {}
        assert records.checks() == records.corrections() == []
        assert records.check() == ""
    with closing(sqlite3.connect(store)) as connection:
        assert connection.execute("SELECT * FROM captures_in_words").fetchall() == before
        assert connection.execute("SELECT * FROM checks_in_words").fetchall() == []
    with closing(sqlite3.connect(store.with_name("water.db.v1.backup"))) as backup:
        assert backup.execute("PRAGMA user_version").fetchone() == (1,)
