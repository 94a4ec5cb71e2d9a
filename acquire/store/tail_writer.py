"""The writer's end of the tail (tail.py): appending to it, and taking all that is in it.

A file that cannot be used is told as a fault and never raised: the transaction that has to be made
then takes what the file did not, and what it holds besides. The next turn goes to the other file,
or to none until one of them can be used.
"""

from __future__ import annotations

import errno
import os
import secrets
import stat
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from acquire.errors import StoreStalled
from acquire.store.database import stalling, sync
from acquire.store.tail import (
    BLOCK,
    HEAD_BYTES,
    NONE,
    Execute,
    Row,
    file_of,
    has_tail,
    record,
    store_of,
    tail_rows,
    turn_of,
)

__all__ = ["Tail"]

_HOW = os.O_RDWR | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
_MOST_BYTES = 256 * 1024
"""A turn that is longer than this is to end: whoever reads, reads it whole."""


class _Turn:
    """All that the writer knows of a turn: no file has to be read for it again."""

    def __init__(self, number: int, rows: Iterable[Row] = (), *, is_open: bool) -> None:
        self.number = number
        self.rows = list(rows)
        self.is_open = is_open
        """Whether records may follow: none does after one that failed, nor in another's turn."""
        self.records = 0
        self.end = 0
        """Where the last one ends."""


class Tail:
    """What is durable and in no transaction yet.

    What the present turn holds is in memory too: the next transaction has it, whatever becomes of
    the file meanwhile.
    """

    def __init__(self, execute: Execute) -> None:
        self._execute = execute
        self._store = store_of(execute)
        self._now = self._before = _Turn(-1, is_open=False)
        self._faults: dict[Path, StoreStalled] = {}
        # The files (device, inode) whose names are known to outlive the power.
        self._named: dict[Path, tuple[int, int]] = {}
        self.remember()

    def remember(self) -> None:
        """Begin from what is stored: before the first use and after anything that failed.

        Raises:
            StoreError: what an earlier process left cannot be read.

        """
        if not has_tail(self._execute):
            return
        turn = turn_of(self._execute)
        if turn == self._before.number != self._now.number:
            # The transaction that was to end it is undone, but may stand in the log whole, where it
            # failed at the sync: a crash would bring it back, and with it the end of this turn.
            # Nothing may be appended until the next transaction has written over it.
            self._now = self._before
            self._now.is_open = False
        elif turn != self._now.number:
            self._now = _Turn(turn, tail_rows(self._execute), is_open=False)

    @property
    def is_open(self) -> bool:
        """Whether records may be appended."""
        return self._now.is_open and self._now.end < _MOST_BYTES

    @property
    def rows(self) -> Sequence[Row]:
        """What is in it."""
        return self._now.rows

    @property
    def fault(self) -> StoreStalled | None:
        """Why a file of it could not be used, until it has been used again."""
        return next(iter(self._faults.values()), None)

    def append(self, rows: Sequence[Row]) -> bool:
        """Make packs durable, all of them or none; only while `is_open`.

        False where the file does not take them, and `fault` says why: a transaction has to.
        """
        turn, file = self._now, file_of(self._store, self._now.number)
        said = record(turn.number, turn.records, rows)
        at = turn.end
        if at % BLOCK + len(said) > BLOCK:
            at += -at % BLOCK
        try:
            with stalling(file, "writing"):
                self._put(file, at, said)
        except StoreStalled as fault:
            self._faults[file] = fault
            turn.is_open = False
            return False
        self._faults.pop(file, None)
        turn.rows += rows
        turn.records += 1
        turn.end = at + len(said)
        return True

    def _put(self, file: Path, at: int, said: bytes) -> None:
        with self._opened(file) as descriptor:
            try:
                left = memoryview(said)
                while left:
                    left = left[os.pwrite(descriptor, left, at + len(said) - len(left)) :]
                os.fdatasync(descriptor)
                if self._named.get(file) != _identity(descriptor):
                    sync(file.parent)  # its name must outlive the power too
                    self._named[file] = _identity(descriptor)
            except OSError:
                with suppress(OSError):  # who reads meanwhile is to see only what is durable
                    if at < os.fstat(descriptor).st_size:
                        os.pwrite(descriptor, bytes(HEAD_BYTES), at)
                raise

    @contextmanager
    def _opened(self, file: Path) -> Iterator[int]:
        """Open a file to write to; makes it at the begin of a turn, and only then."""
        turn = self._now
        descriptor = self._open(file, is_begin=not turn.records)
        try:
            its = os.fstat(descriptor)
            if not stat.S_ISREG(its.st_mode):
                raise OSError(errno.EEXIST, "it is no file")
            if not turn.records:
                _share(descriptor, like=self._store)
            elif self._named.get(file) != _identity(descriptor) or its.st_size < turn.end:
                raise OSError(errno.ENOENT, "another was put in its place, or it was cut")
            yield descriptor
        finally:
            os.close(descriptor)

    def _open(self, file: Path, *, is_begin: bool) -> int:
        try:
            return os.open(file, _HOW)
        except FileNotFoundError:
            if not is_begin:
                raise
        self._named.pop(file, None)
        return os.open(file, _HOW | os.O_CREAT | os.O_EXCL, 0o600)

    def take_all(self) -> Sequence[Row]:
        """Give every pack, and begin a new turn: whoever takes them puts them elsewhere.

        In the writer's transaction; `remember` when that is rolled back.
        """
        turn = self._now
        if turn.number < 0 or (turn.is_open and not turn.records):
            return []
        self._before, self._now = turn, _Turn(NONE, is_open=False)
        for bit in (turn.number & 1 ^ 1, turn.number & 1):
            if self._is_usable(file_of(self._store, bit)):
                # No other turn has had this number, nor will a copy of this store give it.
                self._now = _Turn(1 + secrets.randbits(61) << 1 | bit, is_open=True)
                break
        if self._now.number != turn.number:
            self._execute("UPDATE tail SET turn = ?", (self._now.number,))
        return turn.rows

    def _is_usable(self, file: Path) -> bool:
        try:
            with stalling(file, "writing"), self._opened(file):
                return True
        except StoreStalled as fault:
            self._faults[file] = fault
            return False

    def remove(self) -> None:
        """Take the files away, once everything in them is elsewhere."""
        if self._now.number >= 0 and not self._now.rows:
            for turn in (0, 1):
                with suppress(OSError):
                    file_of(self._store, turn).unlink(missing_ok=True)


def _identity(descriptor: int) -> tuple[int, int]:
    its = os.fstat(descriptor)
    return its.st_dev, its.st_ino


def _share(descriptor: int, *, like: Path) -> None:
    """Give a file to whoever may use another one, as SQLite does."""
    model, its = like.stat(), os.fstat(descriptor)
    is_others = os.geteuid() == 0 and (its.st_uid, its.st_gid) != (model.st_uid, model.st_gid)
    if is_others:
        os.fchown(descriptor, model.st_uid, model.st_gid)
    if (its.st_mode ^ model.st_mode) & 0o666:
        with suppress(PermissionError):  # another user's, who lets us write it
            os.fchmod(descriptor, model.st_mode & 0o666)
            is_others = True
    if is_others:
        os.fsync(descriptor)  # else a power cut leaves a file that its owner cannot read
