"""Comma-separated values: every number as it is, no cell that runs as a formula."""

from __future__ import annotations

import csv
import io
import math
import re
from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.readings import CaptureState, Event, Flag, Reading, Stamp, utc_text
from acquire.store import Records
from acquire.store.export import (
    CAPTURE_COLUMNS,
    capture_cells,
    event_cells,
    reading_cells,
    write_captures,
    write_events,
    write_readings,
)
from acquire.store.ledger import Ledger
from acquire.store.rows import capture_rows, event_row, meter_rows, reading_rows

T0 = Stamp(1_790_000_000_123, 10**12)


@pytest.fixture
def records(store, said, capture, channels):
    ledger = Ledger(store, T0)
    ledger.commit(
        [],
        [
            meter_rows("kitchen", ("text_lines", "labelled", ""), channels, {}, T0.at_ms),
            capture_rows(capture(water='=HYPERLINK("http://x","y")')),
            event_row(Event("gap", T0, "kitchen", "-unplugged", {"lasted_s": 4.5})),
        ],
    )
    flagged = Reading("kitchen", T0, {"tds": 9e9}, {"ph": Flag.ERROR, "tds": Flag.IMPLAUSIBLE})
    ledger.commit([reading_rows(one) for one in (said(0, ph=7.01), said(1, ph=-1.5), flagged)])
    ledger.close(T0)
    with Records.open(store) as opened:
        yield opened


def rows(write, records, **more):
    file = io.StringIO(newline="")
    count = write(records, file, **more)
    found = list(csv.DictReader(io.StringIO(file.getvalue(), newline="")))
    assert len(found) == count
    return found


def test_readings_are_one_row_a_value(records):
    assert [tuple(row.values()) for row in rows(write_readings, records)] == [
        ("2026-09-21T14:13:20.000Z", "kitchen", "ph", "7.01", "[pH]", ""),
        ("2026-09-21T14:13:20.123Z", "kitchen", "tds", "9000000000.0", "mg/L", "implausible"),
        ("2026-09-21T14:13:20.123Z", "kitchen", "ph", "", "[pH]", "error"),
        ("2026-09-21T14:13:21.000Z", "kitchen", "ph", "-1.5", "[pH]", ""),
    ]
    assert len(rows(write_readings, records, quantities=["tds"], since_ms=T0.at_ms)) == 1


def test_captures_are_one_row_a_value_with_its_uncertainty_and_origin(records):
    first, second = rows(write_captures, records)
    assert first["water"] == '\'=HYPERLINK("http://x","y")'
    assert (first["role"], first["state"], first["quantity"]) == ("subject", "provisional", "ph")
    assert (first["value"], first["expanded_u"], first["unit"]) == ("7.01", "0.03", "[pH]")
    assert (second["source"], second["method"]) == ("derived", "0.5 × EC25")
    assert first["taken"] == "2026-09-21T14:14:20.000Z"


def test_what_was_kept_in_another_unit_is_exported_in_that_unit(store):
    from acquire.readings import Capture, Channel, SettledValue

    channels = [Channel("turbidity", 0.1)]
    ledger = Ledger(store, T0)
    for second, (unit, value) in enumerate((("[NTU]", 1.5), ("mg/L", 20.0))):
        stamp = Stamp(T0.at_ms + second * 1000, T0.mono_ns + second * 10**9)
        meter = meter_rows("k", ("text_lines", "a", ""), channels, {"turbidity": unit}, stamp.at_ms)
        settled = SettledValue("turbidity", value, 0.1, "settled", 0.0, 50.0)
        kept = Capture(
            f"c{second}",
            "k",
            CaptureState.FINAL,
            stamp,
            stamp,
            {"turbidity": settled},
            derived={"turbidity": settled},
        )
        ledger.commit([], [meter])
        ledger.commit([reading_rows(Reading("k", stamp, {"turbidity": value}))])
        ledger.commit([], [capture_rows(kept)])
    ledger.close(T0)
    with Records.open(store) as records:
        exported = rows(write_readings, records)
        assert [(row["value"], row["unit"]) for row in exported] == [
            ("1.5", "[NTU]"),
            ("20.0", "mg/L"),
        ]
        exported = rows(write_captures, records)
    assert [(row["id"], row["value"], row["unit"]) for row in exported] == [
        *[("c1", "20.0", "mg/L")] * 2,
        *[("c0", "1.5", "[NTU]")] * 2,
    ]


def test_events_carry_their_data(records):
    (row,) = rows(write_events, records)
    assert (row["kind"], row["text"], row["data"]) == ("gap", "'-unplugged", '{"lasted_s": 4.5}')


def test_progress_is_told_on_the_way_and_at_the_end(store, said):
    ledger = Ledger(store, T0)
    ledger.commit([reading_rows(said(s)) for s in range(1250)])
    ledger.close(T0)
    heard = []
    with Records.open(store) as records:
        count = write_readings(records, io.StringIO(), progress=heard.append)
    assert count == 2500
    assert heard == [1000, 2000, 2500]


typed = st.text(
    st.sampled_from(["=", "+", "-", "@", "\t", "\r", "\n", '"', ",", ";", "'", "a", "1", "é"]),
    max_size=8,
)


@given(typed, typed, typed)
def test_no_typed_text_begins_a_formula_and_none_is_lost(meter, water, reason):
    from acquire.readings import Capture, SettledValue

    value = SettledValue(water, -1.0, 0.1, "settled", -0.5, None, method=reason)
    capture = Capture(
        meter, meter, CaptureState.FINAL, T0, T0, {water: value}, water, reason=reason
    )
    reading = Reading(meter, T0, {water: -2.5})
    event = Event(reason, T0, meter, water)
    cells = [
        *capture_cells([(capture, {water: reason})]),
        *reading_cells([(reading, {water: reason})]),
        *event_cells([event]),
    ]
    file = io.StringIO(newline="")
    csv.writer(file).writerows(cells)
    read = list(csv.reader(io.StringIO(file.getvalue(), newline="")))
    assert [len(row) for row in read] == [len(row) for row in cells]
    for row, back in zip(cells, read, strict=True):
        for cell, text in zip(row, back, strict=True):
            if isinstance(cell, float):
                assert float(text) == cell
            else:
                assert text == cell
                assert not text.startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
    back = read[0][CAPTURE_COLUMNS.index("water")]
    assert back.removeprefix("'") == re.sub(r"[\t\r\n]", " ", water).removeprefix("'")


def test_control_characters_in_a_name_tear_no_table_apart(capture):
    name = "tap\r\n\x00\x1b[31m\u2028\u202eevil\x9b\u200c é"
    (row,) = csv.reader([",".join(str(cell) for cell in next(iter(capture_cells([(capture(water=name), {})])))[:6])])  # fmt: skip
    assert row[4] == "tap  \ufffd\ufffd[31m \ufffdevil\ufffd\u200c é"


def test_an_unknown_number_is_an_empty_cell(capture):
    from dataclasses import replace

    one = capture()
    value = replace(one.values["ph"], value=math.nan, expanded_u=math.inf, settled_after_s=None)
    (row,) = capture_cells([(replace(one, values={"ph": value}), {})])
    where = dict(zip(CAPTURE_COLUMNS, row, strict=True))
    assert (where["value"], where["expanded_u"], where["settled_after_s"]) == ("", "", "")


def test_a_capture_without_values_says_why(capture):
    from dataclasses import replace

    one = replace(capture(), values={}, reason="the meter was lost")
    (row,) = capture_cells([(one, {})])
    assert len(row) == len(CAPTURE_COLUMNS)
    assert row[-1] == "the meter was lost"


@given(st.integers(0, 253_402_300_799_999))
def test_times_are_iso_8601_in_utc(at_ms):
    read = datetime.fromisoformat(utc_text(at_ms))
    assert round(read.timestamp() * 1000) == at_ms
