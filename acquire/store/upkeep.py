"""Copying, examining and compacting a store."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from acquire.errors import StoreDamaged, StoreError
from acquire.paths import real
from acquire.store.database import (
    connect_reading,
    connect_writing,
    is_at_rest,
    is_ours,
    mapped,
    require_sqlite,
    require_whole,
    sync,
)
from acquire.store.lock import StoreLock
from acquire.store.migrations import known_version
from acquire.store.packs import (
    count_values,
    is_packed,
    oldest_ms,
    values_between,
    windows,
)
from acquire.store.rollups import HOURS, MINUTES, put_away
from acquire.store.tail import snapshot, tail_rows

__all__ = ["back_up", "compact", "verify"]

_PAGES = 4096
_STEPS = 2_000_000  # of SQLite's machine between two looks at the keyboard


def back_up(path: Path, copy: Path, progress: Callable[[float], None] | None = None) -> int:
    """Copy a store whole, also while it is written; gives the size of the copy in bytes.

    One state of the store is copied: what comes meanwhile is not in it. The copy appears under its
    name only once it is whole, examined and on the disk; `progress` is told the fraction done.

    Raises:
        StoreError: there is no store, the copy is there already, or it cannot be written.

    """
    path, copy = _ours(path), real(copy)
    unfinished = copy.with_name(copy.name + ".new")
    if copy.exists():
        raise StoreError(f"{copy}: there is a file already; nothing was copied. Name another")
    connection, needs_rest = connect_reading(path)
    try:
        # One snapshot: a commit meanwhile begins nothing anew.
        with closing(connection), mapped(copy, "copying"), snapshot(connection):
            unfinished.unlink(missing_ok=True)
            waiting = list(tail_rows(connection.execute))
            with closing(sqlite3.connect(unfinished)) as target:
                connection.backup(
                    target,
                    pages=_PAGES,
                    progress=lambda _, left, all_: progress and progress(1 - left / max(1, all_)),
                )
                put_away(target, waiting)
                target.commit()
                require_whole(target, unfinished)
            if needs_rest and not is_at_rest(path):
                raise StoreError(f"{path}: ouzel began to write to it while it was copied: again")
            sync(unfinished)
            unfinished.replace(copy)
            sync(copy.parent)
            return copy.stat().st_size
    finally:
        with mapped(copy, "tidying up"):
            unfinished.unlink(missing_ok=True)
            unfinished.with_name(unfinished.name + "-journal").unlink(missing_ok=True)


def verify(path: Path, beat: Callable[[], None] | None = None) -> list[str]:
    """Examine a store or a copy whole; gives what was looked at, in words.

    Every page and every index (SQLite's integrity check), every reference between tables, and
    whether the roll-ups count as many values as they were made of. `beat` is called now and then.

    Raises:
        StoreDamaged: something is wrong, with what.

    """
    path = _ours(path)
    connection, _ = connect_reading(path)
    with closing(connection), mapped(path, "examining"), _interruptible(connection, beat):
        faults = [text for (text,) in connection.execute("PRAGMA integrity_check(5)")]
        if faults == ["ok"]:
            faults = [
                f"a row of {table} refers to nothing"
                for table, *_ in connection.execute("PRAGMA foreign_key_check").fetchmany(5)
            ]
            with snapshot(connection):  # what expires meanwhile is still there to be counted
                faults += _miscounted(connection)
                readings = _count(connection)
                (captures,) = connection.execute("SELECT count(*) FROM captures").fetchone()
    if faults:
        found = "; ".join(faults)[:500]
        raise StoreDamaged(
            f"{path}: the store is damaged ({found}). Nothing was changed. Keep a copy of it, of "
            f"{path.name}-wal and of its -tail0 and -tail1, then put a backup in its place"
        )
    return [
        "every page, index and reference is sound",
        "the roll-ups count what they were made of",
        f"{readings} values of readings, {captures} captures",
    ]


def compact(path: Path, beat: Callable[[], None] | None = None) -> tuple[int, int]:
    """Give the disk back what expired readings left; gives the size before and after in bytes.

    Needs the store for itself and as much room again as it takes for a while.

    Raises:
        StoreTaken: another ouzel writes to it.
        StoreError: there is not room enough; nothing was changed.

    """
    path = _ours(path)
    lock = StoreLock(path)
    try:
        before = path.stat().st_size
        room = shutil.disk_usage(path.parent).free
        if room < 2 * before + 1_000_000:
            raise StoreError(
                f"{path}: compacting needs {2 * before / 1e6:.0f} MB of room for a while, there "
                f"are {room / 1e6:.0f} MB: make room, or leave it: expired space is used again"
            )
        with closing(connect_writing(path)) as connection:
            require_whole(connection, path)
            with mapped(path, "compacting"), _interruptible(connection, beat):
                connection.execute("VACUUM")
                connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        return before, path.stat().st_size
    finally:
        lock.release()


def _ours(path: Path) -> Path:
    require_sqlite()
    path = real(path)
    if not is_ours(path, known_version()):
        raise StoreError(f"no store at {path}")
    return path


def _count(connection: sqlite3.Connection) -> int:
    if is_packed(connection.execute):
        return count_values(connection.execute)
    (count,) = connection.execute("SELECT count(*) FROM readings").fetchone()
    return int(count)


def _miscounted(connection: sqlite3.Connection) -> Iterator[str]:
    """Compare the counts of each two levels over the stretch that both still hold whole."""
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version < 4:  # from before there were roll-ups
        return
    through = dict(connection.execute("SELECT level, through_ms FROM rolled").fetchall())
    execute = connection.execute
    packed = is_packed(execute)

    def of_readings(begin: int, end: int) -> int:
        if not packed:
            return _one(
                "SELECT count(value) FROM readings WHERE flag = 0 AND at_ms >= ? AND at_ms < ?",
                begin,
                end,
            )
        return sum(
            value.value is not None and not value.flag
            for span in windows(execute, begin, end, ())  # no level counts the tail
            for value in values_between(execute, *span, ())
        )

    def of_minutes(begin: int, end: int) -> int:
        return _one(
            "SELECT coalesce(sum(n), 0) FROM minutes WHERE start_ms >= ? AND start_ms < ?",
            begin,
            end,
        )

    def _one(query: str, *values: int) -> int:
        return int(execute(query, values).fetchone()[0])

    if not packed:
        (oldest_reading,) = execute("SELECT min(at_ms) FROM readings").fetchone()
    else:
        oldest_reading = oldest_ms(execute, waiting=())
    (oldest_minute,) = execute("SELECT min(start_ms) FROM minutes").fetchone()
    for level, table, oldest, count in (
        (MINUTES, "readings", oldest_reading, of_readings),
        (HOURS, "minutes", oldest_minute, of_minutes),
    ):
        if oldest is None:
            continue
        begin, end = oldest - oldest % level.length_ms + level.length_ms, through[level.table]
        if begin >= end:
            continue
        below = count(begin, end)
        (held,) = connection.execute(
            f"SELECT total(n) FROM {level.table} WHERE start_ms >= ? AND start_ms < ?",  # noqa: S608 - constants
            (begin, end),
        ).fetchone()
        if held != below:
            yield f"{level.table} count {held:.0f} values where {table} hold {below:.0f}"


@contextmanager
def _interruptible(
    connection: sqlite3.Connection, beat: Callable[[], None] | None
) -> Iterator[None]:
    """Let Ctrl-C end a long statement: SQLite then undoes what it began."""
    stopped = False

    def look() -> int:
        nonlocal stopped
        try:
            if beat is not None:
                beat()
        except KeyboardInterrupt:
            stopped = True
        return stopped

    connection.set_progress_handler(look, _STEPS)
    try:
        yield
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode == sqlite3.SQLITE_INTERRUPT:
            raise KeyboardInterrupt from error
        raise
    finally:
        connection.set_progress_handler(None, 0)
