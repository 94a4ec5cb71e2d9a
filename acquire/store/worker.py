"""The writer's thread: takes what is asked of it in order, reports back to the event loop.

It holds the readings that are not durable yet; a commit that fails keeps them for the next one.
"""

from __future__ import annotations

import asyncio
import atexit
import queue
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from acquire.errors import StoreError, StoreStalled
from acquire.readings import Stamp
from acquire.store.ledger import Kept, Ledger
from acquire.store.migrations import Step
from acquire.store.rollups import Retention
from acquire.store.rows import ReadingRows
from acquire.store.stall import counted

__all__ = ["Close", "Commit", "Keep", "Worker"]

_EXIT_S = 10.0


@dataclass(frozen=True, slots=True)
class Commit:
    """Make what came before durable; `done`, if any, is told."""

    done: asyncio.Future[None] | None = None


@dataclass(frozen=True, slots=True)
class Keep:
    """Make one thing durable at once, with all that came before."""

    item: Kept
    done: asyncio.Future[None]


@dataclass(frozen=True, slots=True)
class Close:
    """Commit, say goodbye, end the thread."""

    done: asyncio.Future[None] | None = None


Job = ReadingRows | Commit | Keep | Close


class Worker:
    """Runs a `Ledger` in a thread of its own."""

    def __init__(
        self,
        path: Path,
        now: Callable[[], Stamp],
        steps: Sequence[Step],
        committed: Callable[[int, StoreError | None, bool], None],
        *,
        tail_changed: Callable[[StoreStalled | None], None],
        retention: Retention | None = None,
    ) -> None:
        """Prepare; `committed` is called in the event loop after each commit.

        It gets how many readings became durable, why not when the commit failed, and whether
        somebody who waits for it is told of that failure. `tail_changed` gets why the tail cannot
        be used, once something was committed without it, and None once it is used again.
        """
        self._path = path
        self._now = now
        self._steps = steps
        self._retention = retention
        self._committed = committed
        self._tail_changed = tail_changed
        self._is_without_tail = False
        self._loop = asyncio.get_running_loop()
        self._jobs: queue.SimpleQueue[Job] = queue.SimpleQueue()
        self._pending: list[ReadingRows] = []
        self._opened: asyncio.Future[Ledger] = self._loop.create_future()
        # A daemon thread, so that a program which forgets to close can still end; _at_exit then
        # writes what is left.
        self._thread = threading.Thread(target=self._run, name="ouzel store", daemon=True)

    async def start(self) -> Ledger:
        """Open the store; the ledger is for looking at its counters only."""
        atexit.register(self._at_exit)
        self._thread.start()
        try:
            return await asyncio.shield(self._opened)
        except asyncio.CancelledError:
            self.put(Close())  # should it open yet, nobody is there to use it
            self._opened.add_done_callback(_ignore)
            raise

    def put(self, job: Job) -> None:
        self._jobs.put(job)

    def join(self) -> None:
        """Wait for the thread, which a Close has already told to end."""
        self._thread.join()

    def _at_exit(self) -> None:
        self.put(Close())
        self._thread.join(_EXIT_S)

    # -- in the thread ----------------------------------------------------------------------

    def _run(self) -> None:
        try:
            ledger = Ledger(self._path, self._now(), self._steps, self._retention)
        except BaseException as error:  # noqa: BLE001 - it is raised where the store was asked for
            self._tell(_fail, self._opened, error)
        else:
            self._tell(_resolve, self._opened, ledger)
            self._serve(ledger)
        atexit.unregister(self._at_exit)

    def _serve(self, ledger: Ledger) -> None:
        closing: Close | None = None
        unwritten: StoreError | None = None
        while closing is None:
            jobs = self._take()
            closing = next((job for job in jobs if isinstance(job, Close)), None)
            self._pending.extend(job for job in jobs if isinstance(job, ReadingRows))
            asked = [job for job in jobs if not isinstance(job, (ReadingRows, Close))]
            if asked or (closing is not None and self._pending):
                unwritten = self._commit(ledger, asked)
        failure: BaseException | None = None
        try:
            ledger.close(self._now())
        except BaseException as error:  # noqa: BLE001 - it is raised where the close was asked for
            failure = error
        if unwritten is not None and self._pending:
            failure = _lost(ledger.path, len(self._pending), unwritten, failure)
        if failure is not None:
            self._tell(_fail, closing.done, failure)
        else:
            self._tell(_resolve, closing.done, None)

    def _take(self) -> list[Job]:
        """Wait for a job, then take all that are there: one commit serves them together."""
        jobs = [self._jobs.get()]
        with suppress(queue.Empty):
            while not isinstance(jobs[-1], Close):
                jobs.append(self._jobs.get_nowait())
        return jobs

    def _commit(self, ledger: Ledger, asked: Sequence[Commit | Keep]) -> StoreError | None:
        """Write all that waits and is asked for; gives why not, when that failed."""
        keeps = [job for job in asked if isinstance(job, Keep)]
        failure: StoreError | None = None
        refusals: list[StoreError | None] = []
        if self._pending or keeps:
            durable = 0
            try:
                if keeps and self._pending and ledger.append(self._pending):
                    durable = len(self._pending)  # whatever becomes of the rest
                    self._pending.clear()
                refusals = ledger.commit(self._pending, [job.item for job in keeps])
            except StoreError as error:
                failure = error
            except Exception as error:  # noqa: BLE001 - a bug must reach the caller, not end the thread
                failure = StoreError(f"{ledger.path}: writing failed: {error!r}")
                failure.__cause__ = error
            else:
                durable += len(self._pending)
                self._pending.clear()
                self._look_at_tail(ledger)
            is_told = any(job.done is not None for job in asked)
            self._tell(self._committed, durable, failure, is_told)
        outcome = iter(refusals)
        for job in asked:
            refusal = next(outcome, failure) if isinstance(job, Keep) else failure
            if refusal is None:
                self._tell(_resolve, job.done, None)
            else:
                self._tell(_fail, job.done, refusal)
        return failure

    def _look_at_tail(self, ledger: Ledger) -> None:
        fault = ledger.tail_fault
        if (fault is not None) != self._is_without_tail:
            self._is_without_tail = fault is not None
            self._tell(self._tail_changed, fault)

    def _tell(self, function: Callable[..., None], *arguments: object) -> None:
        with suppress(RuntimeError):  # the loop is closed: nobody is left to be told
            self._loop.call_soon_threadsafe(function, *arguments)


def _resolve(future: asyncio.Future[Any] | None, result: object) -> None:
    if future is not None and not future.done():
        future.set_result(result)


def _fail(future: asyncio.Future[Any] | None, error: BaseException) -> None:
    if future is not None and not future.done():
        future.set_exception(error)


def _lost(
    path: Path, count: int, unwritten: StoreError, closing: BaseException | None
) -> StoreError:
    """Say what is lost first, then why, and what else failed at the end."""
    why = [str(one).removeprefix(f"{path}: ") for one in (unwritten, closing) if one is not None]
    return StoreError(f"{path}: {counted(count)} could not be written, now lost: {'; '.join(why)}")


def _ignore(future: asyncio.Future[Ledger]) -> None:
    if not future.cancelled():
        future.exception()
