"""The face of the store towards the program: what comes in is kept, in order, or said not to be.

Policy of the queue: `add` waits when it is full and fails loudly after `patience_s`. A reading
becomes durable with the next commit, a capture or event before `keep` returns. A disk that takes
nothing (no room, held by another program) is tried again for `patience_s` before anything fails. A
tail that takes nothing is no such disk: readings then go straight into the store.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from acquire.checks import Check, StandingCorrection
from acquire.clock import Clock
from acquire.errors import OuzelError, StoreError, StoreStalled
from acquire.readings import Capture, Channel, Event, Reading
from acquire.store.check_rows import UndoRow, check_row, correction_rows
from acquire.store.ledger import Kept, Ledger
from acquire.store.migrations import STEPS, Step
from acquire.store.outbox import Carrier, Delivered, Refused
from acquire.store.rollups import Retention
from acquire.store.round_rows import RoundItem
from acquire.store.rows import capture_rows, event_row, meter_rows, reading_rows
from acquire.store.stall import Stall, counted
from acquire.store.watch_rows import WatchItem
from acquire.store.worker import Close, Commit, Keep, Worker

__all__ = ["LAST_PATIENCE_S", "StoreWriter", "WriterStats"]

LAST_PATIENCE_S = 10.0
"""How long a program that is to end waits for a disk that takes nothing, the past included."""


@dataclass(frozen=True, slots=True)
class WriterStats:
    """What the writer did since it was opened."""

    readings: int
    """Readings that are durable."""
    rows: int
    """Rows of the readings table that are durable."""
    waiting: int
    """Readings taken that are not durable yet."""
    commits: int
    failures: int
    """Commits that failed; their readings were kept for the next one."""
    wal_bytes: int
    """Bytes written to the write-ahead log."""
    checkpoints: int


class StoreWriter:
    """The one writer of a store. Use it as an async context manager or close it yourself.

    `async with await StoreWriter.open(path, clock=clock) as writer: ...`
    """

    def __init__(
        self,
        path: Path,
        *,
        clock: Clock,
        commit_every_s: float,
        patience_s: float,
        capacity: int,
        steps: Sequence[Step],
        retention: Retention | None,
    ) -> None:
        """Use `open` instead."""
        if not (commit_every_s > 0 and patience_s > 0 and capacity > 0):
            raise ValueError("commit_every_s, patience_s and capacity are above zero")
        self.path = path
        self._clock = clock
        self._commit_every_s = commit_every_s
        self._patience_s = patience_s
        self._capacity = capacity
        self._worker = Worker(
            path,
            clock.now,
            steps,
            self._committed,
            tail_changed=self._tail_changed,
            retention=retention,
        )
        self._ledger: Ledger | None = None
        self._closing: asyncio.Future[None] | None = None
        self._failure: StoreError | None = None
        self._stall = Stall(patience_s)
        self.on_stall: Callable[[StoreStalled | None], None] = _unheard
        """Told once when the disk begins to take nothing, and with None once it takes again."""
        self.on_tail: Callable[[StoreStalled | None], None] = _unheard
        """Told once when readings go into the store because a file of the tail cannot be used,
        with what to do, and with None once it is used again. Nothing is lost by it."""
        self._retry: asyncio.TimerHandle | None = None
        self._durable = 0
        self._waiting = 0
        self._failures = 0
        self._room = asyncio.Event()
        self._told: StoreStalled | None = None  # what `add` said last of readings it holds
        self._oldest_ns: int | None = None  # when the first reading after the last commit came
        self._timer: asyncio.Task[None] | None = None

    @classmethod
    async def open(
        cls,
        path: Path | str,
        *,
        clock: Clock,
        commit_every_s: float = 10.0,
        patience_s: float = 10.0,
        capacity: int = 4096,
        steps: Sequence[Step] = STEPS,
        retention: Retention | None = None,
    ) -> Self:
        """Open the store for writing; makes it, and its folder, when they are not there.

        Args:
            path: The file.
            clock: Decides when an interval is over; a faster clock commits as often by its own
                seconds.
            commit_every_s: Readings are durable at most this many seconds (of `clock`) after
                they came, so a crash costs no more than that.
            patience_s: Real seconds that `add` waits for room, and that a disk which takes
                nothing is tried again before anything fails. It does not hurry with the clock.
            capacity: Readings that may wait to become durable.
            steps: The migrations; tests pass their own.
            retention: How long readings and minutes are kept; without it nothing expires.

        Raises:
            StoreTaken, StoreNewer, StoreDamaged, StoreError: see acquire.errors.

        """
        writer = cls(
            Path(path),
            clock=clock,
            commit_every_s=commit_every_s,
            patience_s=patience_s,
            capacity=capacity,
            steps=steps,
            retention=retention,
        )
        writer._ledger = await writer._worker.start()
        return writer

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            await self.close()
        except StoreError as closing:
            said = _first(error)
            if not isinstance(said, OuzelError) or said is self._told:
                raise
            raise StoreError(f"{closing}; before that: {said}") from error

    @property
    def stats(self) -> WriterStats:
        ledger = self._ledger
        return WriterStats(
            readings=self._durable,
            rows=0 if ledger is None else ledger.rows,
            waiting=self._waiting,
            commits=0 if ledger is None else ledger.commits,
            failures=self._failures,
            wal_bytes=0 if ledger is None else ledger.wal_bytes,
            checkpoints=0 if ledger is None else ledger.checkpoints,
        )

    async def describe(
        self,
        meter: str,
        *,
        driver: str,
        profile: str = "",
        identity: str = "",
        channels: Sequence[Channel] = (),
        units: Mapping[str, str] | None = None,
    ) -> None:
        """Record what a meter is; readings that follow are kept under this description.

        `units` gives the UCUM unit of quantities that are not built in. Returns once durable.
        """
        meter_kind = (driver, profile, identity)
        at_ms = self._clock.now().at_ms
        await self._ask(meter_rows(meter, meter_kind, channels, units or {}, at_ms))

    async def add(self, reading: Reading) -> None:
        """Take a reading; it is durable within the commit interval.

        Raises:
            StoreStalled: nothing could be written for `patience_s`.
            StoreError: writing failed otherwise since the last call.

        This reading was then not taken; those taken before are still held and tried again: calling
        again is a retry.

        """
        rows = reading_rows(reading)
        self._require_open()
        self._raise_failure()
        await self._wait_for_room()
        self._waiting += 1
        self._worker.put(rows)
        self._see_to_commit()

    async def keep(
        self,
        item: Capture
        | Event
        | Check
        | StandingCorrection
        | Carrier
        | Delivered
        | Refused
        | WatchItem
        | RoundItem,
    ) -> None:
        """Make one thing durable; returns only then.

        A capture kept again in another state keeps its first `taken` and every earlier state;
        kept again as it is, it changes nothing, so a failed call may be repeated.

        Raises:
            StoreStalled: it is not in the store: nothing could be written for `patience_s`.
            StoreError: it is not in the store: a capture that is no longer provisional was to
                change its state, or writing failed otherwise.

        """
        match item:
            case Capture():
                await self._ask(capture_rows(item), f"capture {item.id}")
            case Event():
                await self._ask(event_row(item), f"event {item.kind}")
            case Check():
                await self._ask(check_row(item))
            case StandingCorrection():
                await self._ask(correction_rows(item))
            case _:
                await self._ask(item)

    async def undo_correction(self, meter: str, quantity: str) -> None:
        """End the correction in force; the one before it holds again. Returns once durable.

        Raises:
            StoreError: none is in force, or the disk failed.

        """
        await self._ask(UndoRow(meter, quantity, self._clock.now().at_ms))

    async def flush(self) -> None:
        """Make every reading taken so far durable; returns only then."""
        self._stop_timer()
        await self._have_done(Commit)

    def hurry(self) -> None:
        """The program is asked to end: a disk that takes nothing is waited for no longer than
        `LAST_PATIENCE_S`.
        """
        self._patience_s = min(self._patience_s, LAST_PATIENCE_S)
        self._stall.hurry(LAST_PATIENCE_S)
        self._room.set()

    async def close(self) -> None:
        """Write what waits, empty the log into the file, let others write. Safe to call twice.

        The thread finishes this also when the waiting for it is cancelled.

        Raises:
            StoreError: some readings could not be written; says how many.

        """
        if self._closing is None:
            self._stop_timer()
            self._stop_retry()
            self._closing = asyncio.get_running_loop().create_future()
            self._closing.add_done_callback(_seen)
            self._worker.put(Close(self._closing))
            self._room.set()
        await asyncio.shield(self._closing)
        self._worker.join()

    # -- the queue --------------------------------------------------------------------------

    async def _ask(self, item: Kept, name: str = "") -> None:
        try:
            await self._have_done(lambda done: Keep(item, done))
        except StoreStalled as error:
            raise StoreStalled(f"{error}; not kept: {name}" if name else str(error)) from error

    async def _have_done(self, job: Callable[[asyncio.Future[None]], Commit | Keep]) -> None:
        """Have it done; while the disk takes nothing, again and again until patience ends."""
        while True:
            self._require_open()
            done: asyncio.Future[None] = asyncio.get_running_loop().create_future()
            self._worker.put(job(done))
            try:
                await done
            except StoreStalled:
                if self._stall.is_over or self._closing is not None:
                    if not self._waiting:
                        self._stall.end()  # nothing is held: the next one finds new patience
                    raise
                await asyncio.sleep(self._stall.retry_s)
            else:
                return

    def _require_open(self) -> None:
        if self._closing is not None:
            raise StoreError(f"{self.path}: the store is closed")

    def _raise_failure(self) -> None:
        failure, self._failure = self._failure, None
        if failure is not None:
            raise failure
        if self._waiting and self._stall.is_over:
            self._told = StoreStalled(
                f"{self._stall.failure}; {counted(self._waiting)} held to be tried again"
            )
            raise self._told

    async def _wait_for_room(self) -> None:
        if self._waiting < self._capacity:
            return
        self._request_commit()
        try:
            async with asyncio.timeout(self._patience_s):
                while self._waiting >= self._capacity:
                    self._room.clear()
                    await self._room.wait()
                    self._require_open()
                    self._raise_failure()
        except TimeoutError:
            why = "the disk does not follow (is it failing, or very busy?)"
            self._told = StoreStalled(
                f"{self.path}: {counted(self._waiting)} wait to be written and none was for "
                f"{self._patience_s:g} s: {self._stall.failure or why}"
            )
            raise self._told from None

    def _committed(self, count: int, failure: StoreError | None, is_told: bool) -> None:
        """Hear from the thread that a commit is done, or failed."""
        self._durable += count
        self._waiting -= count
        self._failures += failure is not None
        if isinstance(failure, StoreStalled):
            is_news = self._stall.failure is None
            self._stall.begin(failure)
            if is_news:
                self.on_stall(failure)
            self._retry_later()
        else:
            if failure is None and self._stall.failure is not None:
                self.on_stall(None)
            self._stall.end()
            self._failure = None if is_told else failure
            if failure is not None and self._waiting and self._closing is None:
                self._start_timer()
        self._room.set()

    def _tail_changed(self, fault: StoreStalled | None) -> None:
        self.on_tail(fault)

    def _retry_later(self) -> None:
        if self._waiting and self._closing is None and self._retry is None:
            loop = asyncio.get_running_loop()
            self._retry = loop.call_later(self._stall.retry_s, self._try_again)

    def _try_again(self) -> None:
        self._retry = None
        self._worker.put(Commit())

    def _stop_retry(self) -> None:
        retry, self._retry = self._retry, None
        if retry is not None:
            retry.cancel()

    def _see_to_commit(self) -> None:
        """Ask for a commit when the interval is over, and see that somebody does."""
        if self._oldest_ns is None:
            self._start_timer()
        elif (
            self._clock.now().mono_ns - self._oldest_ns >= self._commit_every_s * 1e9
            or self._waiting * 2 >= self._capacity
        ):
            self._request_commit()

    def _request_commit(self) -> None:
        self._stop_timer()
        self._worker.put(Commit())

    def _start_timer(self) -> None:
        if self._timer is None:
            self._oldest_ns = self._clock.now().mono_ns
            self._timer = asyncio.create_task(self._commit_later(), name="store commit")

    def _stop_timer(self) -> None:
        timer, self._timer, self._oldest_ns = self._timer, None, None
        if timer is not None:
            timer.cancel()

    async def _commit_later(self) -> None:
        """Commit also when no further reading comes to notice that it is time."""
        await self._clock.sleep(self._commit_every_s)
        self._timer = self._oldest_ns = None
        self._worker.put(Commit())


def _first(error: BaseException | None) -> BaseException | None:
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error


def _unheard(_failure: StoreStalled | None) -> None:
    """Stands in until somebody listens."""


def _seen(future: asyncio.Future[None]) -> None:
    if not future.cancelled():
        future.exception()
