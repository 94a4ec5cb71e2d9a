"""The readings since the last transaction: in two small files beside the store, turn about.

A commit of SQLite writes a page of the log, and pages of the memory that readers and writer share,
which the system writes too. Ten seconds of readings are a kilobyte: they are appended here and
synced, in one block of the file system, and that is all of it. The next transaction moves them
among the lasting packs (packs.py) and begins a new turn in the same breath, so each is in one place
and never in two or none.

A record is `_HEAD`, then packs as JSON. It counts if its sum is right and it bears the number of
the present turn (`tail.turn` in the store) and the next number in it. A turn's number is random;
its lowest bit tells which file, so the turn before stays whole until the next. A file is written
over from its beginning, and never grows beyond the longest turn.

A file that cannot be used costs no reading: the transaction that would have moved the records takes
what the file did not, and the next turn goes to the other one, or to none (`NONE`) until one of
them can be used.
"""

from __future__ import annotations

import json
import os
import sqlite3
import stat
import struct
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path

from acquire.errors import StoreError
from acquire.store.database import mapped

__all__ = [
    "BLOCK",
    "COLUMNS",
    "HEAD_BYTES",
    "NONE",
    "SUFFIXES",
    "Execute",
    "Row",
    "file_of",
    "has_tail",
    "obstacle",
    "record",
    "snapshot",
    "store_of",
    "tail_rows",
    "turn_of",
]

COLUMNS = "key, clock, series, scales, rows"
"""Of `packs`, and of a pack in a record."""
SUFFIXES = ("-tail0", "-tail1")
"""Of the two files, after the store's own name."""
_HEAD = struct.Struct(">QIII")
"""Turn; number in it; length of what follows; CRC-32 of these three and of what follows."""
HEAD_BYTES = _HEAD.size
BLOCK = 4096
"""What a file system writes at least: a record that fits into one does not straddle two."""
NONE = 0
"""The turn of no file: nothing is in the tail."""
_seen: ContextVar[dict[Path, bytes | StoreError]] = ContextVar("tails read before a snapshot")

Cursor = Iterable[tuple[object, ...]]
Execute = Callable[..., Cursor]
Row = tuple[object, ...]


def has_tail(execute: Execute) -> bool:
    """Tell whether the store is of a version that has one."""
    ((found,),) = execute("SELECT count(*) FROM sqlite_schema WHERE name = 'tail'")
    return bool(found)


def tail_rows(execute: Execute, begin_key: int = 0, end_key: int = 2**63 - 1) -> Iterator[Row]:
    """Give the packs of a span of keys, as `COLUMNS`, in the order they came.

    What belongs to the transaction that the connection sees; of no transaction, the last one.
    """
    if not has_tail(execute):
        return
    turn = turn_of(execute)
    if turn == NONE:
        return
    file = file_of(store_of(execute), turn)
    seen = _seen.get({}).get(file)
    if isinstance(seen, StoreError):
        raise seen
    for row in _held(_content(file) if seen is None else seen, turn):
        if begin_key <= int(str(row[0])) < end_key:
            yield row


@contextmanager
def snapshot(connection: sqlite3.Connection) -> Iterator[None]:
    """See one state of a store through several queries, its tail's too.

    The tail is read first, for its files may be written over or gone while the old state is looked
    at. What was committed before that is in it under the turn seen then, or among the packs.
    """
    store = store_of(connection.execute)
    token = _seen.set({file: _seen_in(file) for file in (file_of(store, 0), file_of(store, 1))})
    try:
        connection.execute("BEGIN")
        yield
    finally:
        _seen.reset(token)
        if connection.in_transaction:
            connection.execute("ROLLBACK")


def turn_of(execute: Execute) -> int:
    ((turn,),) = execute("SELECT turn FROM tail")
    return int(str(turn))


def obstacle(store: Path) -> str:
    """Say what is in the way of the two files of a store and what to do; nothing if all is well."""
    with mapped(store, "looking beside it"):
        its = store.stat()
        for file in (file_of(store, 0), file_of(store, 1)):
            try:
                found = file.lstat()
            except FileNotFoundError:
                continue
            if not stat.S_ISREG(found.st_mode):
                return f"{file}: something else stands in its place: move that away"
            if (found.st_mode ^ its.st_mode) & 0o666:
                return f"{file}: its rights are not those of {store.name}: give it these"
    return ""


def store_of(execute: Execute) -> Path:
    ((path,),) = execute("SELECT file FROM pragma_database_list WHERE name = 'main'")
    return Path(str(path))


def file_of(store: Path, turn: int) -> Path:
    return store.with_name(store.name + SUFFIXES[turn & 1])


def _seen_in(file: Path) -> bytes | StoreError:
    """Read a file that may be the one whose turn it is, or the other one."""
    try:
        return _content(file)
    except StoreError as error:
        return error


def _content(file: Path) -> bytes:
    with mapped(file, "reading"):
        try:
            descriptor = os.open(file, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
        except FileNotFoundError:
            return b""
        try:
            if not stat.S_ISREG(os.fstat(descriptor).st_mode):  # what stands there holds no record
                return b""
            with os.fdopen(descriptor, "rb", closefd=False) as opened:
                return opened.read()
        finally:
            os.close(descriptor)


def _held(content: bytes, turn: int) -> list[Row]:
    """Give the packs that count in what a file holds."""
    rows: list[Row] = []
    count = at = 0
    while at + _HEAD.size <= len(content):
        body = _body(content, at, turn, count)
        if body is not None:
            rows += (tuple(row) for row in json.loads(body))
            count += 1
            at += _HEAD.size + len(body)
        elif at % BLOCK:
            at += -at % BLOCK  # the next one did not fit into the block
        else:
            break
    return rows


def _body(content: bytes, at: int, turn: int, number: int) -> bytes | None:
    its_turn, its_number, length, its_sum = _HEAD.unpack_from(content, at)
    body = content[at + _HEAD.size : at + _HEAD.size + length]
    is_it = (its_turn, its_number, length) == (turn, number, len(body))
    return body if is_it and its_sum == _sum(turn, number, body) else None


def record(turn: int, number: int, rows: Sequence[Row]) -> bytes:
    """Write packs as a record of a turn."""
    body = json.dumps(rows, separators=(",", ":")).encode()
    return _HEAD.pack(turn, number, len(body), _sum(turn, number, body)) + body


def _sum(turn: int, number: int, body: bytes) -> int:
    return zlib.crc32(body, zlib.crc32(_HEAD.pack(turn, number, len(body), 0)))
