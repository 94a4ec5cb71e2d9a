"""Rows of a CSV or XLSX file, each with its line number. Hostile until read.

A workbook is a zip of XML. How much it would unpack to is looked at before anything is unpacked;
the XML parser beneath (expat from 2.4.1 on) refuses entities that expand without end.
"""

from __future__ import annotations

import csv
import io
import zipfile
from dataclasses import dataclass
from datetime import date, datetime, time
from importlib import import_module
from pathlib import Path

from acquire.errors import ConfigError

__all__ = ["Cell", "Sheet", "read_sheet"]

Cell = str | float | int | bool | datetime | date | time | None
_LARGEST = 50_000_000
_UNPACKED = 300_000_000
_ROWS, _COLUMNS, _LETTERS = 200_000, 200, 2000
_SEPARATORS = ",;\t|"


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table as it was found."""

    name: str
    """File, and sheet of a workbook."""
    rows: tuple[tuple[int, tuple[Cell, ...]], ...]
    """Line number, from 1, and its cells; empty lines are left out."""
    separator: str
    """Between the fields of a CSV; empty for a workbook."""
    notes: tuple[str, ...] = ()


def read_sheet(path: Path, *, sheet: str | None = None) -> Sheet:
    """Read a table; the ending of the name says which kind.

    Raises:
        ConfigError: it cannot be read, is too large, or there is no such sheet; says what to do.

    """
    try:
        size = path.stat().st_size
    except OSError as error:
        raise ConfigError(f"cannot be read: {error.strerror}", file=path) from error
    if size > _LARGEST:
        raise ConfigError("larger than 50 MB: split it", file=path, found=f"{size / 1e6:.0f} MB")
    if path.suffix.lower() in {".xlsx", ".xlsm"}:
        return _workbook(path, sheet)
    if path.suffix.lower() in {".xls", ".ods", ".numbers"}:
        raise ConfigError("save it as CSV or XLSX first", file=path, found=path.suffix)
    if sheet is not None:
        raise ConfigError("only a workbook has sheets", file=path, key="--sheet", found=sheet)
    return _csv(path)


def _csv(path: Path) -> Sheet:
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise ConfigError(f"cannot be read: {error.strerror}", file=path) from error
    text, notes = _decoded(raw)
    rows: list[tuple[int, tuple[Cell, ...]]] = []
    number = 1
    try:
        separator = _separator(text)
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
        for row in reader:
            _add(rows, number, tuple(row), path)
            number = reader.line_num + 1
    except csv.Error as error:
        raise ConfigError(f"not a table: {error}", file=path, found=f"line {number}") from error
    return Sheet(path.name, tuple(rows), separator, notes)


def _decoded(raw: bytes) -> tuple[str, tuple[str, ...]]:
    if raw[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        return raw.decode("utf-16", "replace"), ()
    try:
        return raw.decode("utf-8-sig"), ()
    except UnicodeDecodeError:
        return raw.decode("cp1252", "replace"), ("read as Windows-1252: it is not UTF-8",)


def _separator(text: str) -> str:
    """The one that splits most of the first lines into the same number of fields, at least two."""
    lines = [line for line in text.splitlines()[:40] if line.strip()]
    best, most = ",", 0
    for separator in _SEPARATORS:
        widths = [len(row) for row in csv.reader(lines, delimiter=separator)]
        common = max(set(widths), key=widths.count, default=1)
        # A decimal comma splits too, but not into a wider table than the real separator does.
        score = widths.count(common) * (common - 1) * (2 if separator in ";\t" else 1)
        if common > 1 and score > most:
            best, most = separator, score
    return best


def _workbook(path: Path, sheet: str | None) -> Sheet:
    try:
        openpyxl = import_module("openpyxl")  # an extra, and heavy
    except ImportError as error:
        raise ConfigError(
            "reading XLSX needs openpyxl: `pip install 'ouzel[xlsx]'`, or save the sheet as CSV",
            file=path,
        ) from error
    _require_harmless(path)
    rows: list[tuple[int, tuple[Cell, ...]]] = []
    try:
        with path.open("rb") as file:  # the library leaves open what it opened and cannot read
            book = openpyxl.load_workbook(file, read_only=True, data_only=True, keep_links=False)
            names = book.sheetnames
            name = sheet or names[0]
            if name in names:
                for number, row in enumerate(book[name].iter_rows(values_only=True), start=1):
                    _add(rows, number, tuple(_cell(cell) for cell in row), path)
            book.close()
    except ConfigError:
        raise
    except Exception as error:  # a foreign library on a hostile file: whatever it raises
        raise ConfigError(f"this workbook cannot be read ({error})", file=path) from error
    if name not in names:
        raise ConfigError("no such sheet", file=path, found=name, allowed=", ".join(names))
    others = [other for other in names if other != name]
    notes = (f"sheet {name!r}; not read: {', '.join(others)}",) if others else ()
    return Sheet(f"{path.name}, sheet {name}", tuple(rows), "", notes)


def _require_harmless(path: Path) -> None:
    try:
        with zipfile.ZipFile(path) as packed:
            parts = packed.infolist()
    except (zipfile.BadZipFile, OSError) as error:
        raise ConfigError("this is no workbook", file=path) from error
    if len(parts) > 5000 or sum(part.file_size for part in parts) > _UNPACKED:
        raise ConfigError("it would unpack to more than 300 MB: save the sheet as CSV", file=path)


def _cell(value: object) -> Cell:
    if isinstance(value, str | float | int | bool | datetime | date | time | None):
        return value
    return str(value)


def _add(
    rows: list[tuple[int, tuple[Cell, ...]]], number: int, row: tuple[Cell, ...], path: Path
) -> None:
    while row and (row[-1] is None or (isinstance(row[-1], str) and not row[-1].strip())):
        row = row[:-1]
    if not row:
        return
    if len(row) > _COLUMNS or any(isinstance(c, str) and len(c) > _LETTERS for c in row):
        raise ConfigError("more than 200 columns, or 2000 letters in a cell", file=path,
                          found=f"line {number}")  # fmt: skip
    if len(rows) >= _ROWS:
        raise ConfigError("more than 200,000 rows: split it", file=path)
    rows.append((number, row))
