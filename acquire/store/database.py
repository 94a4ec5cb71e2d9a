"""Opening SQLite files: whose they are, whether they are whole, how they are connected to.

Also the one place where sqlite3's exceptions become ours.
"""

from __future__ import annotations

import errno
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from urllib.parse import quote

from acquire.errors import StoreDamaged, StoreError, StoreNewer, StoreStalled

__all__ = [
    "APPLICATION_ID",
    "connect_reading",
    "connect_writing",
    "is_at_rest",
    "is_ours",
    "mapped",
    "problems",
    "require_sqlite",
    "require_version",
    "require_whole",
    "stalling",
    "suspect",
    "sync",
    "trust",
]

APPLICATION_ID = 0x6F757A6C
"""'ouzl' in the file's header (SQLite file format, section 1.3.14)."""

CHECKED_WHOLE_BYTES = 128 * 1024 * 1024
"""Files up to this size are checked whole at start: about 3 s of a slow memory card."""

_MAGIC = b"SQLite format 3\x00"
_OLDEST = (3, 37, 0)  # STRICT tables
_BUSY_S = 5.0
# TOOBIG: a length that no value of ours has, so it is no length.
_DAMAGED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_TOOBIG}
_NO_SHARING = {sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN}
_STALLED = {
    sqlite3.SQLITE_FULL,
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_BUSY,
    sqlite3.SQLITE_LOCKED,
}
_SQLITE_CODES = {
    errno.ENOSPC: sqlite3.SQLITE_FULL,
    errno.EDQUOT: sqlite3.SQLITE_FULL,
    errno.EROFS: sqlite3.SQLITE_READONLY,
    errno.EACCES: sqlite3.SQLITE_PERM,
}
_PLACES = {
    errno.ENOENT: "somebody took it away: leave it where it is, also while ouzel stands still",
    errno.EISDIR: "a folder stands in its place: move that away",
    errno.ELOOP: "a link stands in its place: move that away",
    errno.EEXIST: "something else stands in its place: move that away",
}
_HINTS = {
    sqlite3.SQLITE_FULL: "there is no room left on the disk: make room",
    sqlite3.SQLITE_BUSY: "another program holds it: close whatever has it open for writing",
    sqlite3.SQLITE_LOCKED: "another program holds it: close whatever has it open for writing",
    sqlite3.SQLITE_READONLY: "it may not be written: check the rights of the file and its folder",
    sqlite3.SQLITE_PERM: "it may not be used: check the rights of the file and its folder",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened: check the rights of the file and its folder",
    sqlite3.SQLITE_IOERR: "the disk reports an error: check its space, its size limits, its health",
}


@contextmanager
def mapped(path: Path, doing: str) -> Iterator[None]:
    """Turn what sqlite3 and the system raise inside into StoreError, StoreStalled, StoreDamaged."""
    try:
        yield
    except sqlite3.Error as error:
        code = getattr(error, "sqlite_errorcode", None)
        primary = None if code is None else code & 0xFF
        if primary in _DAMAGED:
            raise _damaged(path, str(error)) from error
        hint = _HINTS.get(primary) if primary is not None else None
        kind = StoreStalled if primary in _STALLED else StoreError
        raise kind(f"{path}: {doing} failed: {hint or 'see reason'} ({error})") from error
    except UnicodeDecodeError as error:  # text in the file, or in what SQLite says of it
        raise _damaged(path, "text in it is no text") from error
    except OSError as error:
        said = error.strerror or str(error)
        if error.errno in _SQLITE_CODES:
            said = f"{_HINTS[_SQLITE_CODES[error.errno]]} ({said})"
        raise StoreError(f"{path}: {doing} failed: {said}") from error


def sync(path: Path) -> None:
    """Make a file's content, or a folder's names, outlive the power."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@contextmanager
def stalling(path: Path, doing: str) -> Iterator[None]:
    """Turn what the system raises at a write inside into StoreStalled: it may be tried again."""
    try:
        yield
    except OSError as error:
        code = _SQLITE_CODES.get(error.errno or 0, sqlite3.SQLITE_IOERR)
        hint = _PLACES.get(error.errno or 0, _HINTS[code])
        raise StoreStalled(f"{path}: {doing} failed: {hint} ({error.strerror or error})") from error


def _damaged(path: Path, finding: str) -> StoreDamaged:
    return StoreDamaged(
        f"{path}: the store is damaged ({finding}). Nothing was changed. Keep a copy of it, of "
        f"{path.name}-wal and of its -tail0 and -tail1, then put a backup in its place or name "
        "another store"
    )


def require_sqlite() -> None:
    """Refuse an SQLite library that is too old for the schema."""
    if sqlite3.sqlite_version_info < _OLDEST:
        oldest = ".".join(map(str, _OLDEST))
        raise StoreError(
            f"the SQLite library is version {sqlite3.sqlite_version}, ouzel needs {oldest} or "
            "later: use a newer Python"
        )


def is_ours(path: Path, known: int) -> bool:
    """Look at the first bytes without opening the database: False when there is no store yet.

    Raises:
        StoreError: it is some other program's database.
        StoreDamaged: it is not a database at all, or has lost its version.
        StoreNewer: its version is above `known`.

    """
    with mapped(path, "reading"):
        try:
            with path.open("rb") as file:
                header = file.read(100)
        except FileNotFoundError:
            header = b""
    if not header:
        return False
    if len(header) < 100 or not header.startswith(_MAGIC):
        raise StoreDamaged(
            f"{path}: this is not a database: not a store of ouzel, or its beginning is damaged. "
            "Nothing was changed. Name another store, or put a backup in its place"
        )
    found = int.from_bytes(header[68:72], "big")
    if found != APPLICATION_ID:
        raise StoreError(
            f"{path}: this is the database of another program (application id {found:#010x}, "
            f"a store of ouzel has {APPLICATION_ID:#010x}). Nothing was changed. Name another store"
        )
    require_version(path, int.from_bytes(header[60:64], "big"), known)
    return True


def require_version(path: Path, found: int, known: int) -> None:
    """Refuse a store from a later ouzel, and one whose version was lost."""
    if found < 1:
        raise _damaged(path, "it has no version")
    if found > known:
        raise StoreNewer(
            f"{path}: the store has version {found}, this ouzel knows up to {known}: install a "
            "newer ouzel. Nothing was changed"
        )


def require_whole(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse a damaged file, in bounded time: see `problems`."""
    marked = path.with_name(path.name + ".suspect").exists()
    with mapped(path, "checking"):
        whole = marked or path.stat().st_size <= CHECKED_WHOLE_BYTES
        found = problems(connection, whole=whole)
    if found:
        raise _damaged(path, found)


def suspect(path: Path) -> None:
    """Leave a mark that damage was met while writing: the next start looks at every page.

    Without it a daemon that is started again for ever would meet the same page for ever.
    """
    with suppress(OSError):
        path.with_name(path.name + ".suspect").touch()


def trust(path: Path) -> None:
    """Take that mark away: the whole file was found sound."""
    with suppress(OSError):
        path.with_name(path.name + ".suspect").unlink(missing_ok=True)


def problems(connection: sqlite3.Connection, *, whole: bool) -> str:
    """Run SQLite's quick check; gives what it finds, nothing if the file is sound.

    With `whole` false the long tables of readings are left out but for their ends.
    """
    try:
        findings = _quick_check(connection, whole=whole)
    except sqlite3.DatabaseError as error:  # some damage ends the check instead of being found
        if error.sqlite_errorcode & 0xFF not in _DAMAGED:
            raise
        return str(error)
    except UnicodeDecodeError:
        return "text in it is no text"
    return "; ".join(text for text in findings if text != "ok").replace("\n", " ")[:300]


def _quick_check(connection: sqlite3.Connection, *, whole: bool) -> list[str]:
    if whole:
        return [text for (text,) in connection.execute("PRAGMA quick_check(3)")]
    tables = connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'").fetchall()
    long = {"single_readings": "at_ms", "packs": "key"}
    if ("packs",) not in tables:
        long = {"readings": "at_ms"}  # before version 8
    tables = [name for name in tables if name[0] not in long]
    for table, column in long.items():
        for end in ("min", "max"):  # one at a time: together SQLite reads the whole for them
            connection.execute(f"SELECT {end}({column}) FROM {table}").fetchone()  # noqa: S608 - constants
    return [
        text
        for (table,) in tables
        for (text,) in connection.execute(f"PRAGMA quick_check('{table}')")
    ]


def connect_reading(path: Path) -> tuple[sqlite3.Connection, bool]:
    """Connect without the right to change anything; sees what is committed, waits for nobody.

    Also tells whether the store is read as a file at rest. Readers of a store in use share memory
    in a file beside it; in a folder where they may not make one, a store that nobody writes can
    still be read, but must not begin to be written meanwhile: see `is_at_rest`.
    """
    with mapped(path, "opening"):
        try:
            return _connect(path, "mode=ro"), False
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF not in _NO_SHARING or not is_at_rest(path):
                raise
            return _connect(path, "mode=ro&immutable=1"), True


def is_at_rest(path: Path) -> bool:
    """Tell whether everything stands in the file itself: no log, so no writer."""
    log = path.with_name(path.name + "-wal")
    return not log.exists() or log.stat().st_size == 0


def _connect(path: Path, how: str) -> sqlite3.Connection:
    connection = sqlite3.connect(
        f"file:{quote(str(path))}?{how}", uri=True, isolation_level=None, timeout=_BUSY_S
    )
    try:
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except BaseException:
        connection.close()
        raise
    return connection


def connect_writing(path: Path) -> sqlite3.Connection:
    """Connect the one writer. Only the thread that calls this may use the connection."""
    with mapped(path, "opening"):
        connection = _connect(path, "mode=rw")
        try:
            _prepare(connection, path)
        except BaseException:
            connection.close()
            raise
    return connection


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    (mode,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
    if mode != "wal":
        raise StoreError(
            f"{path}: this file system cannot hold a store (no shared memory; a network share?): "
            "keep the store on a local disk"
        )
    # FULL: a commit is on the disk, not only in the system's hands, when it returns.
    connection.execute("PRAGMA synchronous = FULL")
    # Some systems build SQLite so that it overwrites what is deleted: expired readings would be
    # written to flash once more only to be forgotten.
    connection.execute("PRAGMA secure_delete = OFF").fetchall()
    # Checkpoints are the ledger's: no second connection may reset the log, ever.
    connection.execute("PRAGMA wal_autocheckpoint = 0")
