"""The record as a folder of CSV files with a `datapackage.json` that says what every column is.

CSV by RFC 4180, described by Frictionless Data Package and Table Schema (specs.frictionlessdata.io,
version 1). Everything is written beside its place first: an interrupted export leaves nothing.
"""

from __future__ import annotations

import csv
import hashlib
import json
import os
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from acquire import __version__
from acquire.errors import ConfigError, StoreError
from acquire.readings import utc_text
from acquire.report.columns import Column
from acquire.report.tables import Source, Table, tables_of
from acquire.store.export import to_cells
from acquire.water.cautions import SAFETY

__all__ = ["DESCRIPTION", "LICENCES", "Progress", "licence_of", "write_package"]

DESCRIPTION = "datapackage.json"
LICENCES: Mapping[str, str] = {
    "CC0-1.0": "https://creativecommons.org/publicdomain/zero/1.0/",
    "CC-BY-4.0": "https://creativecommons.org/licenses/by/4.0/",
    "CC-BY-SA-4.0": "https://creativecommons.org/licenses/by-sa/4.0/",
    "CC-BY-NC-4.0": "https://creativecommons.org/licenses/by-nc/4.0/",
    "ODC-BY-1.0": "https://opendatacommons.org/licenses/by/1-0/",
    "ODbL-1.0": "https://opendatacommons.org/licenses/odbl/1-0/",
    "PDDL-1.0": "https://opendatacommons.org/licenses/pddl/1-0/",
}
"""Names of the Open Definition's list and where each stands."""
_UNSAID = {"name": "notspecified", "title": "No licence was chosen: ask before you use these data"}

Progress = Callable[[str, int], None]
"""Hears which file is written and how many rows there are so far, every thousand rows."""
_DIALECT = {"delimiter": ",", "lineTerminator": "\r\n", "quoteChar": '"', "doubleQuote": True}
_TYPES = {"text": "string", "number": "number", "integer": "integer", "time": "datetime"}


def licence_of(name: str) -> dict[str, str]:
    """Give the licence field; nothing chosen is said so. ConfigError names those known."""
    if not name:
        return dict(_UNSAID)
    known = {one.lower(): one for one in LICENCES}
    found = known.get(name.lower())
    if found is None:
        raise ConfigError(
            "unknown licence", key="--licence", found=name, allowed=", ".join(LICENCES)
        )
    return {"name": found, "path": LICENCES[found]}


def write_package(
    source: Source,
    folder: Path,
    *,
    title: str,
    now_ms: int,
    licence: str = "",
    with_readings: bool = True,
    progress: Progress = lambda _file, _rows: None,
) -> dict[str, int]:
    """Write the folder; gives the rows of each table. One written before is replaced.

    Raises:
        ConfigError: something else is in the folder, or the licence is not known.
        StoreError: it cannot be written; what was there stays.

    """
    licences = [licence_of(licence)]
    _require_ours(folder)
    left_out = () if with_readings else ("readings.csv",)
    with _whole_folder(folder, left_out) as scratch:
        resources, written = [], {}
        for table in tables_of(source).values():
            if f"{table.name}.csv" in left_out:
                continue
            path = scratch / f"{table.name}.csv"
            written[table.name] = _write_csv(table, path, progress)
            resources.append(_resource(table, path))
        package = {
            "profile": "tabular-data-package",
            "name": "water-record",
            "title": title,
            "description": SAFETY,
            "created": utc_text(now_ms),
            "version": __version__,
            "licenses": licences,
            "keywords": ["water", "pH", "conductivity", "ORP"],
            "resources": resources,
        }
        text = json.dumps(package, indent=2, ensure_ascii=False) + "\n"
        (scratch / DESCRIPTION).write_text(text, encoding="utf-8")
    return written


def _write_csv(table: Table, path: Path, progress: Progress) -> int:
    count = 0
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(table.names)
        for count, cells in enumerate(to_cells(table.names, table.rows()), 1):
            writer.writerow(cells)
            if count % 1000 == 0:
                progress(path.name, count)
        file.flush()
        os.fsync(file.fileno())
    progress(path.name, count)
    return count


def _resource(table: Table, path: Path) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "fields": [_field(column, table) for column in table.columns],
        "missingValues": [""],
    }
    if table.key:
        schema["primaryKey"] = list(table.key)
    if "quantity" in table.names and table.name != "quantities":
        there = {"resource": "quantities", "fields": "quantity"}
        schema["foreignKeys"] = [{"fields": "quantity", "reference": there}]
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    return {
        "name": table.name,
        "title": table.title,
        "path": path.name,
        "profile": "tabular-data-resource",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": path.stat().st_size,
        "hash": f"sha256:{digest}",
        "dialect": _DIALECT,
        "schema": schema,
    }


def _field(column: Column, table: Table) -> dict[str, Any]:
    field: dict[str, Any] = {
        "name": column.name,
        "type": _TYPES[column.kind],
        "description": column.meaning,
    }
    if column.kind == "time":
        field["format"] = "%Y-%m-%dT%H:%M:%S.%fZ"
    if column.unit:
        field["unit"] = column.unit
    if column.name in table.key:
        field["constraints"] = {"required": True}
    return field


def _require_ours(folder: Path) -> None:
    """Whatever is in the folder must be such a package: nothing else is ever written over."""
    try:
        if not folder.exists() or (folder.is_dir() and not any(folder.iterdir())):
            return
        if folder.is_dir() and (folder / DESCRIPTION).is_file():
            return
    except OSError as error:
        raise StoreError(f"{folder} cannot be read: {error.strerror}") from error
    raise ConfigError(
        "something else is there already: name a folder that is new or empty",
        key="--package",
        found=str(folder),
    )


@contextmanager
def _whole_folder(folder: Path, left_out: Sequence[str]) -> Iterator[Path]:
    """Give an empty folder beside `folder`; at the end its files take their places in that.

    Files of an earlier package that are left out of this one go.
    """
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        scratch = folder.with_name(f".{folder.name}.{os.getpid()}.part")
        scratch.mkdir()
        try:
            yield scratch
            if folder.is_dir() and not any(folder.iterdir()):
                folder.rmdir()
            if not folder.exists():
                scratch.rename(folder)
                return
            # The description last: until then it is that of the files before.
            for path in sorted(scratch.iterdir(), key=lambda path: path.name == DESCRIPTION):
                path.replace(folder / path.name)
            for name in left_out:
                (folder / name).unlink(missing_ok=True)
        finally:
            shutil.rmtree(scratch, ignore_errors=True)
    except OSError as error:
        raise StoreError(f"{folder} cannot be written: {error.strerror or error}") from error
