"""Writes the reference of the store's tables from the schema itself and its comments."""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory

from acquire.store.migrations import STEPS, create, known_version

HEAD = """\
# Tables of the store

The store is one SQLite file: any program that reads SQLite can read it, also while ouzel writes
(readings are then up to five minutes late: the latest stand in a file beside it). Open it
read-only (`sqlite3 'file:ouzel.db?mode=ro'`), for ouzel alone may write. This page is version {version} (`PRAGMA
user_version`); what the tables are for, and the rules they keep, is in [the store](store.md). Times ending in
`_ms` are UTC milliseconds since 1970, those ending in `_mono_ns` monotonic nanoseconds of one boot.

Made from the schema by `scripts/redraw`; a test compares.
"""


def page():
    """The whole page."""
    said, remarks = _comments()
    with TemporaryDirectory() as folder:
        store = Path(folder) / "ouzel.db"
        create(store)
        with closing(sqlite3.connect(store)) as connection:
            parts = [HEAD.format(version=known_version())]
            for name, kind in connection.execute(
                "SELECT name, type FROM sqlite_master WHERE type IN ('table', 'view') "
                "AND name NOT LIKE 'sqlite_%' ORDER BY type, rowid"
            ):
                parts.append(_table(connection, name, kind, said.get(name, ""), remarks))
    return "\n".join(parts)


def _table(connection, name, kind, about, remarks):
    lines = [f"## `{name}`" + (" (a view)" if kind == "view" else ""), ""]
    if about:
        lines += [about, ""]
    keys = {}
    for row in connection.execute(f"PRAGMA foreign_key_list({name})"):
        keys[row[3]] = f"`{row[2]}.{row[4] or 'id'}`"
    lines += ["| column | type | | |", "|---|---|---|---|"]
    for _, column, kind_of, not_null, default, primary in connection.execute(
        f"PRAGMA table_info({name})"
    ):
        must = ["key"] if primary else []
        if kind == "table" and not not_null and not primary:
            must.append("may be NULL")
        if default is not None:
            must.append(f"default {default}")
        if column in keys:
            must.append(f"of {keys[column]}")
        remark = remarks.get((name, column), "").replace("|", "\\|")
        lines.append(f"| `{column}` | {kind_of} | {', '.join(must)} | {remark} |")
    return "\n".join([*lines, ""])


def _comments():
    """What the SQL says: above each table, and beside each column."""
    said, remarks = {}, {}
    sql = [files("acquire.store").joinpath("schema.sql").read_text("utf-8")]
    sql += [step.sql for step in STEPS]
    for text in sql:
        above, table, column = [], None, None
        headed = re.match(r"\s*((?:-- .*\n)+)", text)  # what the whole step is for
        step = " ".join(line[3:] for line in headed[1].splitlines()) if headed else ""
        for line in text.splitlines():
            if made := re.match(r"CREATE (?:TABLE|VIEW) (\w+)", line):
                table, column = made[1], None
                said[table] = " ".join(above) or step
            elif renamed := re.match(r"ALTER TABLE (\w+) RENAME TO (\w+)", line):
                old, new = renamed.groups()
                said[new] = said.pop(old, "")
                moved = {(new, name): remark for (of, name), remark in remarks.items() if of == old}
                remarks.update(moved)
            elif added := re.match(r"ALTER TABLE (\w+) ADD COLUMN (\w+)[^-]*(?:-- (.*))?", line):
                remarks[added[1], added[2]] = added[3] or ""
            elif table and line.startswith(")"):
                table = None
            elif table and (inside := re.match(r"    (\w+)\s.*?(?:-- (.*))?$", line)):
                column = inside[1]
                if inside[2]:
                    remarks[table, column] = inside[2]
            elif table and column and (more := re.match(r"\s+-- (.*)", line)):
                remarks[table, column] = f"{remarks.get((table, column), '')} {more[1]}".strip()
            above = [*above, line[3:]] if line.startswith("-- ") else []
    return said, remarks
