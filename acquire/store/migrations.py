"""Making a new store, and bringing an older one up to date.

Version 1 is schema.sql. Each later version is a step in `STEPS` (its SQL
in steps.py); it runs in a transaction of its
own together with the new version number, so a store is always at one version or the next, never
between.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from acquire.errors import StoreError
from acquire.store.database import APPLICATION_ID, mapped, sync
from acquire.store.rollups import put_away
from acquire.store.steps import (
    CHECKS,
    FRESH,
    NEWS,
    OUTBOX,
    PACKS,
    ROLL_UPS,
    ROLL_UPS_OUT,
    ROUNDS,
    TAIL,
    WATCH,
)
from acquire.store.tail import SUFFIXES, tail_rows

__all__ = ["STEPS", "Step", "create", "known_version", "migrate", "version_of"]

_PAGE_BYTES = 1024
"""Small pages halve what a commit of ten seconds writes to flash (measured: docs/store.md)."""


@dataclass(frozen=True, slots=True)
class Step:
    """Brings a store from version `to - 1` to version `to`."""

    to: int
    sql: str


STEPS: tuple[Step, ...] = (
    Step(2, CHECKS),
    Step(3, OUTBOX),
    Step(4, ROLL_UPS),
    Step(5, WATCH),
    Step(6, ROUNDS),
    Step(7, NEWS),
    Step(8, PACKS),
    Step(9, ROLL_UPS_OUT),
    Step(10, FRESH),
    Step(11, TAIL),
)


def known_version(steps: Sequence[Step] = STEPS) -> int:
    """Give the version a store has once all steps are applied."""
    for number, step in enumerate(steps, start=2):
        if step.to != number:
            raise ValueError(f"step to version {step.to} stands where {number} belongs")
    return 1 + len(steps)


def version_of(connection: sqlite3.Connection) -> int:
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    return int(version)


def create(path: Path, steps: Sequence[Step] = STEPS) -> None:
    """Make an empty store; it appears under its name whole or not at all.

    The caller holds the store's lock.
    """
    for left in ("-wal", "-journal", *SUFFIXES):
        companion = path.with_name(path.name + left)
        if companion.exists() and companion.stat().st_size:
            # SQLite would replay a log into the new file and ruin both.
            raise StoreError(
                f"{path}: the store is missing but {companion.name} is there: it holds the last "
                f"records of a store that was moved. Put {path.name} back beside it, or move "
                f"{companion.name} away"
            )
    schema = Path(__file__).with_name("schema.sql").read_text("utf-8")
    unfinished = path.with_name(path.name + ".new")
    with mapped(path, "creating the store"):
        for name in (unfinished, unfinished.with_name(unfinished.name + "-journal")):
            name.unlink(missing_ok=True)
        with closing(sqlite3.connect(unfinished, isolation_level=None)) as connection:
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute(f"PRAGMA page_size = {_PAGE_BYTES}")
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            _apply(connection, Step(1, schema))
            for step in steps:
                _apply(connection, step)
        unfinished.replace(path)
        sync(path.parent)


def migrate(connection: sqlite3.Connection, path: Path, steps: Sequence[Step] = STEPS) -> None:
    """Apply the steps a store lacks, after copying it to `<store>.v<version>.backup`.

    Raises StoreError when a step fails: the store is then as it was after the step before.
    """
    with mapped(path, "reading its version"):
        version = version_of(connection)
    missing = [step for step in steps if step.to > version]
    if not missing:
        return
    backup = path.with_name(f"{path.name}.v{version}.backup")
    _back_up(connection, path, backup)
    for step in missing:
        with mapped(path, f"migrating to version {step.to} (the copy {backup.name} is whole)"):
            _apply(connection, step)
    with mapped(path, "migrating"):
        # The version must stand in the file itself: `is_ours` looks nowhere else.
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()


def _back_up(connection: sqlite3.Connection, path: Path, backup: Path) -> None:
    unfinished = backup.with_name(backup.name + ".new")
    with mapped(path, f"copying to {backup.name} before migrating"):
        unfinished.unlink(missing_ok=True)
        with closing(sqlite3.connect(unfinished)) as copy:
            waiting = list(tail_rows(connection.execute))
            connection.backup(copy)
            put_away(copy, waiting)
            copy.commit()
        unfinished.replace(backup)
        sync(path.parent)


def _apply(connection: sqlite3.Connection, step: Step) -> None:
    try:
        connection.executescript("BEGIN IMMEDIATE;\n" + step.sql)
        _require_sound(connection, step)
        connection.execute(f"PRAGMA user_version = {step.to}")
        connection.execute("COMMIT")
    except BaseException:
        with suppress(sqlite3.Error):
            if connection.in_transaction:
                connection.execute("ROLLBACK")
        raise


def _require_sound(connection: sqlite3.Connection, step: Step) -> None:
    if not connection.in_transaction:
        raise StoreError(f"the step to version {step.to} ends its own transaction: a fault in it")
    orphan = connection.execute("PRAGMA foreign_key_check").fetchone()
    if orphan is not None:
        raise StoreError(f"the step to version {step.to} would orphan rows of {orphan[0]}")
