"""The workbook, read back by another library than the one that wrote it."""

from __future__ import annotations

import math
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import pytest

from acquire.errors import StoreError
from acquire.report.redact import OPEN, redaction_of
from acquire.report.tables import Source
from acquire.report.workbook import write_workbook

SHEETS = ["Summary", "Captures", "Readings", "Checks", "Counts", "Waters", "Dictionary"]


@pytest.fixture
def source(records, settings):
    return Source(records, OPEN, settings.quantities, records.rounds(), records.counts())


def written(source, tmp_path, **more):
    out = tmp_path / "water.xlsx"
    rows = write_workbook(source, out, title="=1+1", now_ms=1_790_000_000_000, **more)
    assert [path.name for path in tmp_path.iterdir()] == ["water.xlsx"]  # nothing else is left
    return openpyxl.load_workbook(out), rows


def table(sheet, top=1):
    """Rows as dictionaries by the words of the header."""
    rows = list(sheet.iter_rows(min_row=top, values_only=True))
    return [dict(zip(rows[0], row, strict=True)) for row in rows[1:]]


def cells(book):
    return (cell for sheet in book for row in sheet.iter_rows() for cell in row)


def test_every_sheet_is_there_with_a_frozen_header(source, tmp_path):
    book, rows = written(source, tmp_path)
    assert book.sheetnames == SHEETS
    for sheet in book:
        assert sheet.freeze_panes is not None, sheet.title
        top = int(sheet.freeze_panes[1:]) - 1
        assert all(cell.font.bold for cell in sheet[top] if cell.value), sheet.title
        assert sheet.auto_filter.ref is not None
    assert {name: book[name].max_row - 1 for name in rows} == rows


def test_numbers_are_numbers_and_dates_are_dates_and_equal_those_of_the_store(source, tmp_path):
    book, _ = written(source, tmp_path)
    stored = {c.id: c for c in source.records.captures()}
    seen = 0
    for row in table(book["Captures"]):
        capture = stored[row["id"]]
        assert isinstance(row["taken (UTC)"], datetime)
        taken = row["taken (UTC)"].replace(tzinfo=UTC).timestamp() * 1000
        assert abs(taken - capture.taken.at_ms) < 1
        if row["source"] == "meter":
            value = capture.values[row["quantity"]]
            # The library writes sixteen digits.
            assert row["value"] == pytest.approx(value.value, rel=1e-14, abs=0)
            if math.isfinite(value.expanded_u):
                assert row["expanded_u"] == pytest.approx(value.expanded_u, rel=1e-14, abs=0)
            else:
                assert row["expanded_u"] is None  # no number says that nobody knows
            assert isinstance(row["value"], float | int)
            assert row["settled_after_s (s)"] == pytest.approx(value.settled_after_s)
            seen += 1
    assert seen > 100
    readings = list(source.records.readings())
    rows = table(book["Readings"])
    assert len(rows) == len(readings)
    for row, reading in zip(rows[::50], readings[::50], strict=True):
        assert row["conductivity (uS/cm)"] == reading.values.get("conductivity")
        assert row["ph"] == reading.values.get("ph")
        assert isinstance(row["time (UTC)"], datetime)


def test_no_cell_is_a_formula_or_a_link_whatever_a_name_begins_with(source, tmp_path):
    book, _ = written(source, tmp_path)
    assert all(cell.data_type != "f" and cell.hyperlink is None for cell in cells(book))
    assert book["Summary"]["A1"].value == "=1+1"
    assert book["Summary"]["A1"].data_type == "s"
    names = {row["water"] for row in table(book["Waters"])}
    assert {"=carbon filter", "kitchen <tap> & jug"} <= names
    notes = [row["note"] for row in table(book["Counts"])]
    assert "=cmd|' /C secret'!A0" in notes


def test_the_summary_holds_results_only_each_with_its_uncertainty(source, tmp_path):
    book, _ = written(source, tmp_path, with_readings=False)
    top = int(book["Summary"].freeze_panes[1:]) - 1
    rows = table(book["Summary"], top)
    finals = {c.id: c for c in source.records.captures() if c.state == "final"}
    assert {row["capture"] for row in rows} == set(finals)
    for row in rows:
        ph = finals[row["capture"]].values["ph"]
        assert row["ph"] == pytest.approx(ph.value, rel=1e-14, abs=0)
        assert row["± ph"] == pytest.approx(ph.expanded_u, rel=1e-14, abs=0)
    visited = {v.capture_id: one.id for one in source.rounds for v in one.visits if v.capture_id}
    assert all(row["round"] == visited.get(row["capture"]) for row in rows)
    assert {"r1", "r2", "r3"} <= {row["round"] for row in rows}
    text = " ".join(str(cell.value) for cell in book["Summary"]["A"])
    assert "never show that a water is safe to drink" in text


def test_the_dictionary_explains_every_column(source, tmp_path):
    book, _ = written(source, tmp_path)
    said = {(row["sheet"], row["column"]) for row in table(book["Dictionary"])}
    for name in SHEETS[:-1]:
        top = int(book[name].freeze_panes[1:]) - 1
        for cell in book[name][top]:
            assert (name, cell.value.split(" (")[0]) in said, (name, cell.value)


def test_a_full_sheet_goes_on_in_another_and_no_row_is_lost_or_doubled(source, tmp_path):
    whole, _ = written(source, tmp_path, with_readings=False)
    count = whole["Captures"].max_row - 1
    # One sheet exactly full; a second with a single row; two halves.
    for held, sheets in ((count, 1), (count - 1, 2), (math.ceil(count / 2), 2)):
        book, rows = written(source, tmp_path, last_row=held + 1, with_readings=False)
        mine = [sheet for sheet in book if sheet.title.startswith("Captures")]
        assert [sheet.title for sheet in mine] == ["Captures", "Captures 2"][:sheets]
        assert [row for sheet in mine for row in table(sheet)] == table(whole["Captures"])
        assert rows["Captures"] == count
        assert max(sheet.max_row for sheet in book) <= held + 1


def test_characters_xml_does_not_know_do_not_spoil_the_file(source, tmp_path, records):
    from dataclasses import replace

    (count, *_) = source.counts
    odd = replace(count, water="a\x00b\x0bc\ud800\uffff&<>\r\n", note="x" * 40_000)
    odd = replace(odd, water=odd.water.encode("utf-8", "replace").decode())
    book, _ = written(replace(source, counts=[odd]), tmp_path, with_readings=False)
    (row,) = table(book["Counts"])
    assert row["water"].startswith("a\ufffdb c")
    assert len(row["note"]) == 32_767


def test_redaction_leaves_no_place_and_no_note_in_any_cell(source, records, settings, tmp_path):
    from dataclasses import replace

    hidden = redaction_of(records, hide_places=True, number_waters=True)
    book, _ = written(replace(source, redaction=hidden), tmp_path)
    text = "\n".join(str(cell.value) for cell in cells(book))
    for secret in ("secret", "kitchen", "SN-4711", "carbon filter", "jug", "reverse osmosis"):
        assert secret not in text
    assert "meter 1" in text
    assert "water 3" in text


def test_an_earlier_file_stays_when_a_new_one_fails(source, tmp_path):
    out = tmp_path / "water.xlsx"
    out.write_bytes(b"earlier")

    def fail(_what, _rows):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_workbook(source, out, title="t", now_ms=0, progress=fail)
    assert out.read_bytes() == b"earlier"
    assert [path.name for path in tmp_path.iterdir()] == ["water.xlsx"]
    with pytest.raises(StoreError, match="cannot be written"):
        write_workbook(source, tmp_path / "no" / "water.xlsx", title="t", now_ms=0)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_stopped_in_the_middle_it_leaves_no_half_file(filled, tmp_path, number):
    command = [sys.executable, "-m", "acquire", "export", "--store", str(filled.path)]
    child = subprocess.Popen(
        [*command, "--xlsx", str(tmp_path / "water.xlsx")],
        cwd=tmp_path,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )
    deadline = time.monotonic() + 30
    while not any(tmp_path.iterdir()):  # it has begun to write
        assert time.monotonic() < deadline
        assert child.poll() is None, child.communicate()
        time.sleep(0.005)
    child.send_signal(number)
    _, said = child.communicate(timeout=30)
    assert child.returncode == 130, said
    assert list(tmp_path.iterdir()) == []


def test_progress_is_told_sheet_by_sheet(source, tmp_path):
    heard = []
    write_workbook(
        source,
        Path(tmp_path / "w.xlsx"),
        title="t",
        now_ms=0,
        progress=lambda what, rows: heard.append((what, rows)),
    )
    readings = [rows for what, rows in heard if what == "Readings"]
    assert readings[:2] == [1000, 2000]
    assert readings == sorted(readings)
    assert {what for what, _ in heard} == set(SHEETS)
