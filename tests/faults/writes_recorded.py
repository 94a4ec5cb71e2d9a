"""Run by test_power.py: a store under load, everything it does to its files written down.

Arguments: the store, where the log goes, how many seconds of readings, what `synchronous` is to be
(FULL is the product's own; the others, and a tail that is not synced, must be found out). Or AHEAD:
FULL with a clock that is a year ahead now and then; or FAILING: FULL with a tail that cannot be
written or synced now and then; or GIVING UP: FULL with transactions that are written but not synced,
and not tried again.
"""

from __future__ import annotations

import asyncio
import errno
import itertools
import os
import pickle
import sys
from dataclasses import replace
from pathlib import Path

from acquire.errors import StoreStalled
from acquire.readings import Capture, CaptureState, Event, Reading, SettledValue, Stamp
from acquire.store import StoreWriter, database, ledger
from acquire.store.outbox import Carrier
from acquire.store.rollups import Retention
from tests.conftest import FakeClock
from tests.faults.power import Recorder

YEAR_S = 365 * 86_400


async def main(path: Path, seconds: int, recorder: Recorder, how: str) -> None:
    is_own = how in {"AHEAD", "FAILING", "GIVING UP"}
    clock = FakeClock()
    for session in range(2):
        async with await StoreWriter.open(
            path,
            clock=clock,
            commit_every_s=5,
            patience_s=0.02 if how == "GIVING UP" else 10,
            retention=None if is_own else Retention(1, 2),
        ) as writer:
            await writer.keep(Carrier("mqtt"))
            for n in range(session * seconds, (session + 1) * seconds):
                # A day in few readings, so that hours and days are rolled up and readings expire;
                # and between, seconds, so that some commits go into the tail alone.
                step_s = 600 if n // 15 % 2 else 3
                clock._at_ms += step_s * 1000
                clock._mono_s += step_s
                now = clock.now()
                if how == "AHEAD" and n % 40 == 22:
                    now = Stamp(now.at_ms + YEAR_S * 1000, now.mono_ns)
                await writer.add(Reading("m", now, {"orp": float(n), "temperature": 21.0}))
                if n % 7 == 3 or how == "GIVING UP":
                    await writer.flush()
                    if is_own:
                        recorder.promise("reading", n)
                    else:
                        recorder.promise("readings", now.at_ms)
                if how == "GIVING UP" and n % 5 == 1:
                    await try_to_keep(writer, recorder, now)
                elif how != "GIVING UP" and n % 20 == 9:
                    await keep(writer, recorder, n, now)
    if not is_own:
        recorder.promise("readings", clock.now().at_ms)


async def keep(writer: StoreWriter, recorder: Recorder, n: int, now: Stamp) -> None:
    value = SettledValue("orp", float(n), 5.0, "settled", 0.0, 30.0)
    capture = Capture(f"c{n}", "m", CaptureState.PROVISIONAL, now, now, {"orp": value})
    for state in (CaptureState.PROVISIONAL, CaptureState.FINAL):
        await writer.keep(replace(capture, state=state))
        recorder.promise("capture", capture.id, state)
    await writer.keep(Event("note", now, "m", f"event {n}"))
    recorder.promise("event", f"event {n}")


async def try_to_keep(writer: StoreWriter, recorder: Recorder, now: Stamp) -> None:
    """Ask for an event while the log is written and not synced: it may be found, or not."""
    recorder.refuses_syncs = True
    try:
        await writer.keep(Event("note", now, "m", "not promised"))
    except StoreStalled:
        pass
    else:
        raise AssertionError("it was kept without a sync")
    finally:
        recorder.refuses_syncs = False


def fail_now_and_then() -> None:
    """Let the tail's disk refuse a sync, or the second half of a write."""
    fdatasync, pwrite = os.fdatasync, os.pwrite
    syncs, writes = itertools.count(), itertools.count()

    def sync(descriptor: int) -> None:
        if next(syncs) % 4 == 2:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        fdatasync(descriptor)

    def write(descriptor: int, data: bytes, offset: int) -> int:
        if next(writes) % 9 == 5:
            pwrite(descriptor, data[: len(data) // 2], offset)
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return pwrite(descriptor, data, offset)

    os.fdatasync, os.pwrite = sync, write


if __name__ == "__main__":
    store, log, count, how = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]), sys.argv[4]
    ledger._CHECKPOINT_BYTES = 96 * 1024  # several in a short run
    prepare = database._prepare

    def otherwise(connection, path):
        prepare(connection, path)
        connection.execute(f"PRAGMA synchronous = {how}")

    if how in {"NORMAL", "OFF"}:
        database._prepare = otherwise
    noted = Recorder()
    if how == "NO TAIL":
        os.fdatasync = lambda _descriptor: None
    if how == "FAILING":
        fail_now_and_then()
    asyncio.run(main(store, count, noted, how))
    log.write_bytes(pickle.dumps(noted.log))
