"""The one connection that writes, used by one thread: opening, transactions, closing.

`Ledger` is synchronous and knows nothing of queues; writer.py decides when.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import closing, suppress
from pathlib import Path

from acquire import __version__
from acquire.errors import StoreDamaged, StoreError, StoreStalled
from acquire.paths import real
from acquire.readings import Stamp
from acquire.rounds import ParticleCount, Round, Visit
from acquire.store.check_rows import CheckRow, CorrectionRows, UndoRow
from acquire.store.database import (
    connect_reading,
    connect_writing,
    is_ours,
    mapped,
    require_sqlite,
    require_version,
    require_whole,
    suspect,
    trust,
)
from acquire.store.lock import StoreLock
from acquire.store.migrations import STEPS, Step, create, known_version, migrate, version_of
from acquire.store.outbox import Carrier, Delivered, Refused, settle
from acquire.store.packs import newest_ms
from acquire.store.rollups import Retention
from acquire.store.round_rows import RoundItem, keep_round_item
from acquire.store.rows import CaptureRows, EventRow, MeterRows, ReadingRows, require_storable
from acquire.store.tables import Tables
from acquire.store.watch_rows import WatchItem, keep_watched
from acquire.watch.kept import Acknowledged, Alert, Cleared, KeptDraw, Replaced, Restored

__all__ = ["Kept", "Ledger"]

Kept = (
    CaptureRows
    | EventRow
    | MeterRows
    | CheckRow
    | CorrectionRows
    | UndoRow
    | Carrier
    | Delivered
    | Refused
    | WatchItem
    | RoundItem
)

_CHECKPOINT_BYTES = 4 * 1024 * 1024


class Ledger:
    """An open store. Every method is for the thread that made it."""

    def __init__(
        self,
        path: Path,
        started: Stamp,
        steps: Sequence[Step] = STEPS,
        retention: Retention | None = None,
    ) -> None:
        """Open the store for writing, making or migrating it first.

        Raises:
            StoreTaken: another writer has it.
            StoreNewer, StoreDamaged, StoreError: it cannot be used; nothing was touched.

        """
        require_sqlite()
        require_storable(started)
        known = known_version(steps)
        self.path = path = real(path)
        is_ours(path, known)  # before anything is made beside a file that is not ours
        with mapped(path, "making its folder"):
            path.parent.mkdir(parents=True, exist_ok=True)
        self._retention = retention
        self._lock = StoreLock(path)
        try:
            if is_ours(path, known):
                self._inspect(known)
            else:
                create(path, steps)
            self._connection = connect_writing(path)
            try:
                migrate(self._connection, path, steps)
                self._tables = self._begin_run(started)
            except BaseException:
                self._connection.close()
                raise
        except BaseException:
            self._lock.release()
            raise
        self._is_unsure = False  # whether what the tables remember is what is stored
        self._wal = path.with_name(path.name + "-wal")
        self._wal_size = self._size_of_wal()
        self.rows = 0
        self.commits = 0
        self.wal_bytes = 0
        self.checkpoints = 0

    def _inspect(self, known: int) -> None:
        """Look through a connection that can change nothing."""
        connection, _ = connect_reading(self.path)
        with closing(connection):
            with mapped(self.path, "reading its version"):
                version = version_of(connection)
            require_version(self.path, version, known)
            require_whole(connection, self.path)
            trust(self.path)

    def _begin_run(self, started: Stamp) -> Tables:
        execute = self._connection.execute
        with mapped(self.path, "starting"):
            execute("PRAGMA foreign_keys = ON")
            execute("BEGIN IMMEDIATE")
            # A run that never said goodbye ended no earlier than the last thing it kept.
            execute(
                "UPDATE runs SET ended_ms = max(started_ms, ?) WHERE ended_ms IS NULL",
                (newest_ms(execute) or 0,),
            )
            ((self._run,),) = execute(
                "INSERT INTO runs (boot, version, started_ms, started_mono_ns) "
                "VALUES (?, ?, ?, ?) RETURNING id",
                (_boot(), __version__, started.at_ms, started.mono_ns),
            ).fetchall()
            execute(
                "INSERT INTO clocks (run, at_ms, mono_ns) VALUES (?, ?, ?)",
                (self._run, started.at_ms, started.mono_ns),
            )
            execute("COMMIT")
            return Tables(self._connection, self._run, self._retention)

    def append(self, readings: Sequence[ReadingRows]) -> bool:
        """Make readings durable in the tail; False, and nothing done, if that takes a transaction.

        Raises:
            StoreError: none was kept; calling again with the same may succeed.

        """
        with mapped(self.path, "writing"):
            if self._is_unsure:
                self._recover()
            self._is_unsure = True  # should it end in between
            count = self._tables.append(readings)
            self._is_unsure = False
        self.rows += count or 0
        self.commits += count is not None
        return count is not None

    @property
    def tail_fault(self) -> StoreStalled | None:
        """Why a file of the tail could not be used, until it has been used again.

        Nothing is lost by it: each commit is a transaction meanwhile.
        """
        return self._tables.tail_fault

    def commit(
        self, readings: Sequence[ReadingRows], kept: Sequence[Kept] = ()
    ) -> list[StoreError | None]:
        """Make all of it durable in one transaction, or readings alone in the tail.

        What is kept without readings leaves the tail as it is, but for an event: after one, such as
        a lost meter, there may be no readings for long.

        Gives for each of `kept` None, or why that one was refused (the others are kept).

        Raises:
            StoreError: nothing of it was kept; calling again with the same may succeed.

        """
        try:
            if readings and not kept and self.append(readings):
                return []
            outcomes, rows = self._transact(readings, kept)
        except StoreDamaged:
            suspect(self.path)
            raise
        self.rows += rows
        self.commits += 1
        size, before = self._size_of_wal(), self._wal_size
        self.wal_bytes += max(0, size - before)
        self._wal_size = size
        if size >= _CHECKPOINT_BYTES:
            # What is committed is durable in the log already; a checkpoint that fails or finds a
            # reader in its way is tried again after the next commit.
            with suppress(sqlite3.Error):
                self._checkpoint()
        return outcomes

    def _transact(
        self, readings: Sequence[ReadingRows], kept: Sequence[Kept]
    ) -> tuple[list[StoreError | None], int]:
        execute = self._connection.execute
        with mapped(self.path, "writing"):
            try:
                if self._is_unsure:
                    self._recover()
                execute("BEGIN IMMEDIATE")
                rows = 0
                if readings or not kept or any(isinstance(item, EventRow) for item in kept):
                    self._tables.expire(sum(len(reading.cells) for reading in readings))
                    rows = sum(self._tables.insert(reading) for reading in readings)
                    self._tables.roll()
                outcomes = [self._keep_or_refuse(item) for item in kept]
                execute("COMMIT")
            except BaseException:
                self._roll_back()
                raise
        return outcomes, rows

    def _keep_or_refuse(self, item: Kept) -> StoreError | None:
        execute = self._connection.execute
        execute("SAVEPOINT item")
        try:
            match item:
                case CaptureRows():
                    self._tables.keep(item)
                case EventRow():
                    self._tables.note(item)
                case MeterRows():
                    self._tables.describe(item)
                case CheckRow():
                    self._tables.judge(item)
                case CorrectionRows() | UndoRow():
                    self._tables.correct(item)
                case Carrier() | Delivered() | Refused():
                    settle(execute, item)
                    self._tables.heed_carriers()
                case KeptDraw() | Alert() | Cleared() | Acknowledged() | Replaced() | Restored():
                    keep_watched(execute, item)
                case Round() | Visit() | ParticleCount():
                    keep_round_item(execute, item)
        except (StoreError, sqlite3.IntegrityError) as refusal:
            execute("ROLLBACK TO item")
            execute("RELEASE item")
            self._tables.remember()
            if isinstance(refusal, StoreError):
                return refusal
            return StoreError(f"{self.path}: refused by the schema: {refusal}")
        execute("RELEASE item")
        return None

    def _roll_back(self) -> None:
        self._is_unsure = True
        with suppress(sqlite3.Error, StoreError):  # not even read: again before the next use
            self._recover()

    def _recover(self) -> None:
        """Undo what is not committed, and remember what is stored."""
        if self._connection.in_transaction:
            self._connection.execute("ROLLBACK")
        self._tables.remember()
        self._is_unsure = False

    def _checkpoint(self) -> None:
        """Move the log into the file and empty it, waiting for nobody.

        While somebody reads, the log stays, with as much of it moved as that reader allows: what is
        in it is durable, and the next checkpoint, or the next start, goes on with it.
        """
        execute = self._connection.execute
        ((patience_ms,),) = execute("PRAGMA busy_timeout").fetchall()
        execute("PRAGMA busy_timeout = 0")
        try:
            (busy, _, _) = execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        finally:
            execute(f"PRAGMA busy_timeout = {patience_ms}")
        self._wal_size = self._size_of_wal()
        self.checkpoints += not busy

    def close(self, ended: Stamp) -> None:
        """End the run, empty the log, give the store back; the lock goes even when that fails."""
        try:
            with mapped(self.path, "closing"), closing(self._connection):
                self._transact([], [])  # what the tail holds
                self._connection.execute(
                    "UPDATE runs SET ended_ms = ?, clean = 1 WHERE id = ?",
                    (ended.at_ms, self._run),
                )
                self._checkpoint()
            self._tables.remove_tail()
        finally:
            self._lock.release()

    def _size_of_wal(self) -> int:
        try:
            return self._wal.stat().st_size
        except OSError:
            return 0


def _boot() -> str:
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    except OSError:
        return ""  # not Linux: monotonic times of different runs are then never compared
