"""What went in comes out: all of it, in order, beside a running writer, in constant memory."""

from __future__ import annotations

import os
import tempfile
from collections import Counter
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.errors import StoreError
from acquire.readings import (
    Capture,
    CaptureState,
    Event,
    Flag,
    Reading,
    Role,
    SettledValue,
    Stamp,
)
from acquire.store import Records, StoreWriter, asking
from acquire.store import records as records_module
from acquire.store.ledger import Ledger
from acquire.store.rows import capture_rows, event_row, reading_rows

T0 = Stamp(1_790_000_000_000, 10**12)
finite = st.floats(allow_nan=False, allow_infinity=False)
text = st.text(st.characters(blacklist_categories=["Cs"], blacklist_characters="\0"), max_size=20)
names = st.sampled_from(["ph", "orp", "conductivity", "temperature", "dissolved_oxygen"])
stamps = st.builds(
    lambda ms, ns: Stamp(T0.at_ms + ms, T0.mono_ns + ns),
    # few instants, so that many collide
    st.integers(-20, 20) | st.integers(-(10**9), 10**9),
    st.integers(0, 10**15),
)
readings = st.builds(
    Reading,
    st.sampled_from(["kitchen", "cellar", "=cmd"]),
    stamps,
    st.dictionaries(names, finite, max_size=4),
    st.dictionaries(names, st.sampled_from(list(Flag)), max_size=2),
)
settled_values = st.builds(
    SettledValue,
    quantity=names,
    value=finite,
    expanded_u=finite,
    phase=st.sampled_from(["moving", "settling", "settled"]),
    drift_per_min=finite,
    settled_after_s=st.none() | finite,
    source=st.sampled_from(["meter", "derived", "typed"]),
    method=text,
    reason=text,
    budget=st.dictionaries(text, finite, max_size=3),
)
by_quantity = st.lists(settled_values, max_size=4).map(
    lambda values: {value.quantity: value for value in values}
)
captures = st.builds(
    Capture,
    id=text,
    meter=text,
    state=st.sampled_from(list(CaptureState)),
    started=stamps,
    taken=stamps,
    values=by_quantity,
    derived=by_quantity,
    water=text,
    role=st.none() | st.sampled_from(list(Role)),
    reason=text,
)
events = st.builds(
    Event, kind=text, stamp=stamps, meter=text, text=text, data=st.dictionaries(text, finite | text)
)


@contextmanager
def kept(readings=(), items=(), size=500):
    """Write to a new store and give it, open for reading."""
    with tempfile.TemporaryDirectory() as folder:
        ledger = Ledger(Path(folder) / "water.db", T0)
        try:
            for first in range(0, len(readings), size):
                ledger.commit([reading_rows(one) for one in readings[first : first + size]])
            rows = [
                capture_rows(item) if isinstance(item, Capture) else event_row(item)
                for item in items
            ]
            assert set(ledger.commit([], rows)) <= {None}
        finally:
            ledger.close(T0)
        with Records.open(ledger.path) as records:
            yield records


def cells(readings):
    """Count (meter, quantity, value, flag), and list the instants of each series."""
    seen, instants = Counter(), {}
    for reading in readings:
        for quantity in {**reading.values, **reading.flags}:
            key = (reading.meter, quantity)
            seen[(*key, reading.values.get(quantity), reading.flags.get(quantity))] += 1
            instants.setdefault(key, []).append(reading.stamp.at_ms)
    return seen, {key: sorted(times) for key, times in instants.items()}


@given(st.lists(readings, max_size=40))
@settings(max_examples=40)
def test_every_value_and_flag_comes_back_whatever_the_clock_did(said):
    with kept(said, size=7) as records:
        read = list(records.readings())
        assert records.check() == ""
    (seen, when), (wanted, told) = cells(read), cells(said)
    assert seen == wanted
    assert [one.stamp.at_ms for one in read] == sorted(one.stamp.at_ms for one in read)
    for key, times in when.items():
        assert len(set(times)) == len(times)
        moved = [stored - meant for stored, meant in zip(times, told[key], strict=True)]
        assert min(moved) >= 0
        assert max(moved) <= len(said)


@given(st.lists(captures, max_size=5, unique_by=lambda capture: capture.id))
@settings(max_examples=20)
def test_captures_come_back_equal(wanted):
    with kept(items=wanted) as records:
        found = list(records.captures())
        assert sorted(found, key=lambda one: one.id) == sorted(wanted, key=lambda one: one.id)
        assert [one.taken.at_ms for one in found] == sorted(
            (one.taken.at_ms for one in wanted), reverse=True
        )
        for one in wanted:
            assert records.capture(one.id) == one
            assert list(records.capture(one.id).values) == list(one.values)


@given(st.lists(events, max_size=5))
@settings(max_examples=20)
def test_events_come_back_equal_in_the_order_of_time(wanted):
    with kept(items=wanted) as records:
        assert list(records.events()) == sorted(wanted, key=lambda event: event.stamp.at_ms)


def test_a_clock_set_back_an_hour_loses_and_overwrites_nothing():
    before = [
        Reading("kitchen", Stamp(T0.at_ms + n * 1000, T0.mono_ns + n * 10**9), {"ph": 7 + n / 1e4})
        for n in range(3600)
    ]
    after = [
        Reading(
            "kitchen",
            Stamp(T0.at_ms + n * 1000, T0.mono_ns + (3600 + n) * 10**9),
            {"ph": 8 + n / 1e4},
        )
        for n in range(3600)
    ]
    with kept([*before, *after]) as records:
        read = list(records.readings())
    assert len(read) == 7200
    in_order = sorted(read, key=lambda one: one.stamp.mono_ns)
    assert [one.values["ph"] for one in in_order] == [one.values["ph"] for one in (*before, *after)]
    for got, said in zip(in_order, (*before, *after), strict=True):
        assert abs(got.stamp.mono_ns - said.stamp.mono_ns) <= 20e6


def test_a_clock_that_stands_still_costs_no_search_each_time():
    with kept([Reading("kitchen", T0, {"ph": float(n)}) for n in range(3000)]) as records:
        read = list(records.readings())
    assert [one.values["ph"] for one in read] == [float(n) for n in range(3000)]
    assert read[-1].stamp.at_ms == T0.at_ms + 2999


def test_the_monotonic_time_of_each_boot_is_recovered(store):
    for boot_ns in (10**12, 5 * 10**9):  # the second boot begins anew
        ledger = Ledger(store, Stamp(T0.at_ms + boot_ns // 10**6, boot_ns))
        stamp = Stamp(T0.at_ms + boot_ns // 10**6 + 1234, boot_ns + 1_234_000_000)
        ledger.commit([reading_rows(Reading("kitchen", stamp, {"ph": 7.0}))])
        ledger.close(stamp)
    with Records.open(store) as records:
        assert [one.stamp.mono_ns for one in records.readings()] == [
            6_234_000_000,
            1_001_234_000_000,
        ]
        assert len(records.runs()) == 2


def test_readings_are_chosen_by_time_meter_and_quantity(said):
    wanted = [said(s, meter, ph=7.0 + s, orp=200.0) for s in range(5) for meter in ("a", "b")]
    with kept(wanted) as records:
        only = records.readings(
            since_ms=T0.at_ms + 1000, until_ms=T0.at_ms + 3000, meter="a", quantities=["ph"]
        )
        assert [(one.meter, dict(one.values)) for one in only] == [
            ("a", {"ph": 8.0}),
            ("a", {"ph": 9.0}),
        ]
        assert list(records.readings(meter="nobody")) == []
        assert list(records.readings(quantities=[])) == []


def test_captures_are_chosen_by_water_state_meter_and_time(capture):
    wanted = [
        capture("a", CaptureState.FINAL, taken_s=1, water="tap"),
        capture("b", CaptureState.FINAL, taken_s=2, water="well"),
        capture("c", CaptureState.UNSETTLED, taken_s=3, water="tap"),
        capture("d", CaptureState.FINAL, taken_s=4, water="tap", meter="other"),
    ]
    with kept(items=wanted) as records:

        def ids(**filters):
            return [one.id for one in records.captures(**filters)]

        assert ids() == ["d", "c", "b", "a"]
        assert ids(water="tap") == ["d", "c", "a"]
        assert ids(state=CaptureState.FINAL) == ["d", "b", "a"]
        assert ids(meter="kitchen", state=CaptureState.FINAL, water="tap") == ["a"]
        assert ids(since_ms=T0.at_ms + 2000, until_ms=T0.at_ms + 4000) == ["c", "b"]
        assert records.capture("nobody") is None
        assert records.history("nobody") == []


def test_the_latest_word_of_each_quantity_is_found(said, at):
    wanted = [
        said(0, "a", ph=7.0, orp=200.0),
        said(1, "a", ph=7.1),
        replace(said(2, "b", ph=6.0), values={}, flags={"ph": Flag.OVER_RANGE}),
    ]
    with kept(wanted) as records:
        found = {(one.meter, one.quantity): one for one in records.latest()}
        assert {key: one.value for key, one in found.items()} == {
            ("a", "ph"): 7.1,
            ("a", "orp"): 200.0,
            ("b", "ph"): None,
        }
        assert found["b", "ph"].flag is Flag.OVER_RANGE
        assert found["a", "ph"].stamp.at_ms == at(1).at_ms
        assert records.latest(within_s=0.5) == [found["b", "ph"]]


def test_long_answers_come_in_slices_without_a_seam(said, capture, monkeypatch):
    monkeypatch.setattr(records_module, "_SLICE", 7)
    wanted = [said(s, ph=float(s), orp=float(s)) for s in range(50)]
    items = [capture(f"c{n}", taken_s=n // 3) for n in range(250)]
    with kept(wanted, items) as records:
        assert [one.values["ph"] for one in records.readings()] == [float(s) for s in range(50)]
        assert len({one.id for one in records.captures()}) == 250


async def test_a_reader_sees_each_commit_while_the_writer_goes_on(store, fake_clock, said):
    async with await StoreWriter.open(store, clock=fake_clock) as writer:
        with Records.open(store) as records:
            for s in range(20):
                half_read = records.readings()
                next(half_read, None)
                await writer.add(said(s))
                await writer.flush()
                assert len(list(records.readings())) == s + 1


async def test_an_answer_half_read_keeps_nobody_from_emptying_the_log(store, fake_clock, said):
    async with await StoreWriter.open(store, clock=fake_clock) as writer:
        await writer.add(said(0))
        await writer.flush()
        with Records.open(store) as records:
            half_read = records.readings()
            next(half_read)
            await writer.close()
            assert writer.stats.checkpoints == 1
            assert list(half_read) == []


def test_no_store_yet_is_said_with_what_to_do(store):
    with pytest.raises(StoreError, match=r"no store at .*water.db yet: start `ouzel serve`"):
        Records.open(store)
    assert not store.parent.exists()


def test_an_older_store_is_not_read_as_if_it_were_new(said, monkeypatch):
    with kept([said(0)]) as records:
        monkeypatch.setattr(asking, "known_version", lambda: 99)
        with pytest.raises(StoreError, match=r"has version \d+, this ouzel reads 99: start"):
            Records.open(records.path)


def test_a_reader_can_change_nothing(said):
    with kept([said(0)]) as records, pytest.raises(StoreError):
        records._all("DELETE FROM readings")


def test_reading_loads_no_event_loop():
    import subprocess
    import sys

    program = "import sys, acquire.store.records as _; sys.exit('asyncio' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody without rights")
def test_a_store_at_rest_is_read_in_a_folder_where_nothing_may_be_made(said):
    with kept([said(0)]) as records:
        folder = records.path.parent
        records.close()
        for path in folder.glob("*-*"):  # what readers leave
            path.unlink()
        folder.chmod(0o755)
        os.seteuid(65534)
        try:
            with Records.open(folder / "water.db") as frozen:
                assert len(list(frozen.readings())) == 1
                os.seteuid(0)
                ledger = Ledger(folder / "water.db", T0)
                os.seteuid(65534)
                with pytest.raises(StoreError, match="do it again"):
                    list(frozen.readings())
        finally:
            os.seteuid(0)
            ledger.close(T0)
