"""The record as a workbook (XLSX): real numbers and dates, in memory that does not grow.

Rows go to the disk as they come (xlsxwriter, constant_memory). Text is always written as text,
whatever it begins with. A sheet that is full goes on in another.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from acquire.errors import ConfigError, StoreError
from acquire.outlets.words import CAUTION
from acquire.readings import utc_text
from acquire.report.columns import Column
from acquire.report.files import scratch_folder, whole_file
from acquire.report.tables import Row, Source, Table, tables_of
from acquire.report.wide import readings_table, summary_table
from acquire.store.export import Value, one_line

if TYPE_CHECKING:
    from xlsxwriter.format import Format
    from xlsxwriter.workbook import Workbook
    from xlsxwriter.worksheet import Worksheet

__all__ = ["LAST_ROW", "Progress", "write_workbook"]

LAST_ROW = 1_048_576
"""Rows of one sheet: the file format's limit (ECMA-376, as the programs that read it apply it)."""
_LONGEST = 32_767
"""Characters of one cell, likewise."""
_DAY = "yyyy-mm-dd hh:mm:ss"
_ZERO = datetime(1899, 12, 30, tzinfo=UTC)
"""Day 0 of the serial dates of 1900 workbooks, for all days after February 1900."""
_LEAST_MS = -2_203_891_200_000
"""1900-03-01; before it the calendar of workbooks is wrong."""

Progress = Callable[[str, int], None]
"""Hears which sheet is written and how many rows there are so far, every thousand rows."""


def write_workbook(
    source: Source,
    out: Path,
    *,
    title: str,
    now_ms: int,
    with_readings: bool = True,
    progress: Progress = lambda _sheet, _rows: None,
    last_row: int = LAST_ROW,
) -> dict[str, int]:
    """Write the file; gives the rows of each table. `last_row` is the limit of one sheet.

    Raises:
        ConfigError: the extra `xlsx` is not installed.
        StoreError: the file cannot be written; an earlier one stays.

    """
    try:
        from xlsxwriter import Workbook  # noqa: PLC0415  (an extra)
        from xlsxwriter.exceptions import XlsxWriterException  # noqa: PLC0415
    except ImportError as error:
        raise ConfigError(
            "workbooks need a package that is not installed",
            allowed="pipx install 'ouzel[xlsx]', or `ouzel export --package FOLDER`",
        ) from error
    with whole_file(out) as part, scratch_folder(out) as scratch:
        options = {"constant_memory": True, "tmpdir": str(scratch), "strings_to_formulas": False}
        book = Workbook(str(part), {**options, "strings_to_urls": False, "use_zip64": True})
        try:
            written = _Sheets(book, progress, last_row).write(source, title, now_ms, with_readings)
            book.close()
        except XlsxWriterException as error:
            raise StoreError(f"{out} cannot be written: {error}") from error
        finally:
            _abandon(book)
    return written


def _abandon(book: Any) -> None:
    """Keep the library from writing half a file after all; nothing to do after a whole one."""
    book.fileclosed = True
    for sheet in book.worksheets():
        if sheet.row_data_fh is not None:
            sheet.row_data_fh.close()


class _Sheets:
    """One workbook as it is written."""

    def __init__(self, book: Workbook, progress: Progress, last_row: int) -> None:
        self._book = book
        self._progress = progress
        self._last_row = last_row
        self._bold = book.add_format(
            {"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"}
        )
        self._title = book.add_format({"bold": True, "font_size": 14})
        self._plain = book.add_format({"valign": "top"})
        self._time = book.add_format({"num_format": _DAY, "valign": "top"})
        self._whole = book.add_format({"num_format": "0", "valign": "top"})

    def write(self, source: Source, title: str, now_ms: int, with_readings: bool) -> dict[str, int]:
        book = self._book
        book.set_properties({"title": one_line(title)[:255], "created": _moment(now_ms)})
        tables = tables_of(source)
        summary = summary_table(source)
        # The summary comes first and is known last: sheets keep the order they are added in.
        first = book.add_worksheet("Summary")
        sheets = {"Captures": tables["captures"]}
        if with_readings:
            sheets["Readings"] = readings_table(source)
        sheets |= {name: tables[name.lower()] for name in ("Checks", "Counts", "Waters")}
        written = {name: self._table(name, table) for name, table in sheets.items()}
        dictionary = {"Summary": summary, **sheets, "Quantities": tables["quantities"]}
        self._table("Dictionary", _dictionary(dictionary))
        self._summary(first, summary, title, now_ms, written)
        return written

    def _summary(
        self, sheet: Worksheet, table: Table, title: str, now_ms: int, written: Mapping[str, int]
    ) -> None:
        sheet.write_string(0, 0, one_line(title), self._title)
        rows = ", ".join(f"{count} {name.lower()}" for name, count in written.items())
        lines = [
            f"Written {utc_text(now_ms)}; rows: {rows}. All times are UTC.",
            *CAUTION.split("\n"),
        ]
        for number, line in enumerate(lines, 1):
            sheet.write_string(number, 0, line)
        self._fill(sheet, "Summary", table, len(lines) + 2)

    def _table(self, name: str, table: Table) -> int:
        """Write a table on a sheet of its own, or on as many as it needs; gives its rows."""
        return self._fill(self._book.add_worksheet(name), name, table, 0)

    def _fill(self, sheet: Worksheet, name: str, table: Table, top: int) -> int:
        """Write header and rows from row `top` on; a full sheet goes on in another."""
        formats = [self._format(column) for column in table.columns]
        self._head(sheet, table, formats, top)
        at, total, sheets = top, 0, 1
        for row in table.rows():
            if at + 1 >= self._last_row:
                sheet.autofilter(top, 0, at, len(table.columns) - 1)
                sheets += 1
                sheet, at, top = self._book.add_worksheet(f"{name} {sheets}"), 0, 0
                self._head(sheet, table, formats, top)
            at += 1
            total += 1
            self._row(sheet, at, table.columns, formats, row)
            if total % 1000 == 0:
                self._progress(name, total)
        sheet.autofilter(top, 0, at, len(table.columns) - 1)
        self._progress(name, total)
        return total

    def _head(self, sheet: Worksheet, table: Table, formats: Sequence[Format], top: int) -> None:
        for index, column in enumerate(table.columns):
            sheet.set_column(index, index, _width(column), formats[index])
            sheet.write_string(top, index, _heading(column), self._bold)
        sheet.freeze_panes(top + 1, 0)
        sheet.repeat_rows(top)
        sheet.set_landscape()
        sheet.fit_to_pages(1, 0)

    def _row(
        self,
        sheet: Worksheet,
        at: int,
        columns: Sequence[Column],
        formats: Sequence[Format],
        row: Row,
    ) -> None:
        for index, value in enumerate(row):
            if value is None or value == "":
                continue
            if isinstance(value, str):
                text = one_line(value)
                if len(text) > _LONGEST:
                    text = text[: _LONGEST - 1] + "…"
                sheet.write_string(at, index, text)
            elif columns[index].kind == "time":
                self._moment(sheet, at, index, value, formats[index])
            elif math.isfinite(value):
                sheet.write_number(at, index, value, formats[index])

    def _moment(self, sheet: Worksheet, at: int, index: int, value: Value, look: Format) -> None:
        at_ms = int(value or 0)
        if at_ms < _LEAST_MS:
            sheet.write_string(at, index, utc_text(at_ms))
        else:
            sheet.write_number(at, index, _serial(at_ms), look)

    def _format(self, column: Column) -> Format:
        by_kind = {"time": self._time, "integer": self._whole}
        return by_kind.get(column.kind, self._plain)


def _serial(at_ms: int) -> float:
    """A date as workbooks count it: days since the end of 1899, the time of day as a fraction."""
    since = _moment(at_ms) - _ZERO
    return since / timedelta(days=1)


def _moment(at_ms: int) -> datetime:
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=at_ms)


def _heading(column: Column) -> str:
    if column.kind == "time":
        return f"{column.name} (UTC)"
    return f"{column.name} ({column.unit})" if column.unit else column.name


def _width(column: Column) -> int:
    if column.kind == "time":
        return 19
    if column.kind in {"number", "integer"}:
        return max(10, min(16, len(_heading(column))))
    return 24 if column.name in {"water", "reason", "method", "source", "note"} else 14


def _dictionary(tables: Mapping[str, Table]) -> Table:
    columns = (
        Column("sheet", "text", "the sheet"),
        Column("column", "text", "the column"),
        Column("kind", "text", "text, number, integer or time"),
        Column("unit", "text", "UCUM; empty where there is none or another column says it"),
        Column("meaning", "text", "what its cells are"),
    )

    def rows() -> Iterable[Row]:
        for sheet, table in tables.items():
            for column in table.columns:
                if sheet != "Quantities":
                    yield sheet, column.name, column.kind, column.unit, column.meaning
        for name, label, unit, shown, *_ in tables["Quantities"].rows():
            yield "(quantity)", name, "number", unit, f"{label}, shown in {shown or 'no unit'}"

    return Table("dictionary", "Dictionary", columns, lambda: iter(rows()))
