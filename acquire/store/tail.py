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
"""

from __future__ import annotations

import json
import os
import secrets
import sqlite3
import struct
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from pathlib import Path

from acquire.errors import StoreStalled
from acquire.store.database import mapped, stalling, sync

__all__ = ["COLUMNS", "SUFFIXES", "Row", "Tail", "has_tail", "snapshot", "tail_rows"]

COLUMNS = "key, clock, series, scales, rows"
"""Of `packs`, and of a pack in a record."""
SUFFIXES = ("-tail0", "-tail1")
"""Of the two files, after the store's own name."""
_HEAD = struct.Struct(">QIII")
"""Turn; number in it; length of what follows; CRC-32 of these three and of what follows."""
_BLOCK = 4096
"""What a file system writes at least: a record that fits into one does not straddle two."""
_HOW = os.O_RDWR | os.O_CLOEXEC | os.O_NOFOLLOW
_MOST_BYTES = 256 * 1024
"""A turn that is longer than this is to end: whoever reads, reads it whole."""
_seen: ContextVar[dict[Path, bytes]] = ContextVar("tails read before a snapshot")

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
    ((turn,),) = execute("SELECT turn FROM tail")
    file = _file(_store(execute), int(str(turn)))
    seen = _seen.get({}).get(file)
    for row in _held(_content(file) if seen is None else seen, int(str(turn))):
        if begin_key <= int(str(row[0])) < end_key:
            yield row


@contextmanager
def snapshot(connection: sqlite3.Connection) -> Iterator[None]:
    """See one state of a store through several queries, its tail's too.

    The tail is read first, for its files may be written over or gone while the old state is looked
    at. What was committed before that is in it under the turn seen then, or among the packs.
    """
    store = _store(connection.execute)
    token = _seen.set({file: _content(file) for file in (_file(store, 0), _file(store, 1))})
    try:
        connection.execute("BEGIN")
        yield
    finally:
        _seen.reset(token)
        if connection.in_transaction:
            connection.execute("ROLLBACK")


def _store(execute: Execute) -> Path:
    ((path,),) = execute("SELECT file FROM pragma_database_list WHERE name = 'main'")
    return Path(str(path))


def _file(store: Path, turn: int) -> Path:
    return store.with_name(store.name + SUFFIXES[turn & 1])


def _content(file: Path) -> bytes:
    with mapped(file, "reading"), suppress(FileNotFoundError):
        return file.read_bytes()
    return b""


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
        elif at % _BLOCK:
            at += -at % _BLOCK  # the next one did not fit into the block
        else:
            break
    return rows


def _body(content: bytes, at: int, turn: int, number: int) -> bytes | None:
    its_turn, its_number, length, its_sum = _HEAD.unpack_from(content, at)
    body = content[at + _HEAD.size : at + _HEAD.size + length]
    is_it = (its_turn, its_number, length) == (turn, number, len(body))
    return body if is_it and its_sum == _sum(turn, number, body) else None


def _sum(turn: int, number: int, body: bytes) -> int:
    return zlib.crc32(body, zlib.crc32(_HEAD.pack(turn, number, len(body), 0)))


class Tail:
    """The writer's end of it."""

    def __init__(self, execute: Execute) -> None:
        self._execute = execute
        self._store = _store(execute)
        # (turn, where its last record ends, how many it has) as this writer wrote them.
        self._now = self._before = (-1, 0, 0)
        self._named: set[Path] = set()
        self._spoilt: tuple[Path, int] | None = None  # where a record may be that is not durable
        self.remember()

    def remember(self) -> None:
        """Begin from what is stored: before the first use and after anything that failed.

        Raises:
            StoreStalled: what was half appended could not be taken back.

        """
        self._take_back()
        self._turn: int | None = None
        if has_tail(self._execute):
            ((turn,),) = self._execute("SELECT turn FROM tail")
            self._turn = int(str(turn))
        if self._turn == self._before[0] != self._now[0]:  # else it has grown since
            self._now = self._before

    @property
    def is_open(self) -> bool:
        """Whether records may be appended: not to a turn that another writer left behind."""
        turn, end, count = self._now
        return (
            self._turn == turn
            and end < _MOST_BYTES
            # Nothing after what somebody took away would ever be found.
            and (not count or _file(self._store, turn).exists())
        )

    @property
    def is_empty(self) -> bool:
        return self._turn is None or (self._turn == self._now[0] and not self._now[2])

    def append(self, rows: Sequence[Row]) -> None:
        """Make packs durable, all of them or none; only while `is_open`.

        Raises:
            StoreStalled: the disk did not take them.

        """
        turn, end, count = self._now
        body = json.dumps(rows, separators=(",", ":")).encode()
        record = _HEAD.pack(turn, count, len(body), _sum(turn, count, body)) + body
        if end % _BLOCK + len(record) > _BLOCK:
            end += -end % _BLOCK
        file = _file(self._store, turn)
        self._spoilt = file, end
        try:
            with stalling(self._store, "writing"):
                if not count and _make(file, like=self._store):
                    self._named.discard(file)
                _write(file, end, record)
                if file not in self._named:  # its name must outlive the power too
                    sync(file.parent)
                    self._named.add(file)
        except StoreStalled:
            with suppress(StoreStalled):  # `remember` tries again
                self._take_back()
            raise
        self._spoilt = None
        self._now = (turn, end + len(record), count + 1)

    def _take_back(self) -> None:
        """See that a record which is not durable counts for nobody."""
        if self._spoilt is not None:
            file, at = self._spoilt
            with stalling(self._store, "writing"), suppress(FileNotFoundError):
                if at < file.stat().st_size:
                    _write(file, at, bytes(_HEAD.size), is_durable=False)
        self._spoilt = None

    def take_all(self) -> list[Row]:
        """Give every pack, and begin a new turn: whoever takes them puts them elsewhere.

        In the writer's transaction; `remember` when that is rolled back.
        """
        if self.is_empty:
            return []
        assert self._turn is not None  # noqa: S101 - else it were empty
        rows = _held(_content(_file(self._store, self._turn)), self._turn)
        self._before = self._now
        # No other turn has had this number, nor will a copy of this store give it.
        turn = secrets.randbits(62) & ~1 | (self._turn & 1 ^ 1)
        self._execute("UPDATE tail SET turn = ?", (turn,))
        self._turn, self._now = turn, (turn, 0, 0)
        return rows

    def remove(self) -> None:
        """Take the files away, once everything in them is elsewhere."""
        if self.is_empty and self._turn is not None:
            for turn in (0, 1):
                with suppress(OSError):
                    _file(self._store, turn).unlink(missing_ok=True)


def _make(file: Path, *, like: Path) -> bool:
    """Make a file for whoever may use another one, as SQLite does; False if it is there."""
    model, is_new = like.stat(), not file.exists()
    descriptor = os.open(file, _HOW | os.O_CREAT, 0o600)
    try:
        its = os.fstat(descriptor)
        if os.geteuid() == 0 and (its.st_uid, its.st_gid) != (model.st_uid, model.st_gid):
            os.fchown(descriptor, model.st_uid, model.st_gid)
        if (its.st_mode ^ model.st_mode) & 0o666:
            with suppress(PermissionError):  # another user's, who lets us write it
                os.fchmod(descriptor, model.st_mode & 0o666)
    finally:
        os.close(descriptor)
    return is_new


def _write(file: Path, at: int, record: bytes, *, is_durable: bool = True) -> None:
    descriptor = os.open(file, _HOW)
    try:
        left = memoryview(record)
        while left:
            left = left[os.pwrite(descriptor, left, at + len(record) - len(left)) :]
        if is_durable:
            os.fdatasync(descriptor)
    finally:
        os.close(descriptor)
