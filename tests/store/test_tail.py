"""The readings since the last transaction, beside the store: cheap, durable, in one place each."""

from __future__ import annotations

import errno
import itertools
import math
import os
import resource
import shutil
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from acquire.errors import StoreDamaged, StoreError, StoreStalled
from acquire.readings import Event, Stamp
from acquire.store.aside import set_aside
from acquire.store.ledger import Ledger
from acquire.store.migrations import STEPS
from acquire.store.outbox import Carrier, Outbox
from acquire.store.packs import count_values, values_between
from acquire.store.records import Records
from acquire.store.rows import EventRow, ReadingRows, event_row
from acquire.store.tail import SUFFIXES, snapshot
from acquire.store.upkeep import back_up, compact, verify

START = 1_790_000_400_000  # a whole number of ten minutes
BLOCK = 4096


def at(ms: int) -> Stamp:
    return Stamp(START + ms, (START + ms) * 1_000_000)


def said(ms: int, value: float = 7.01, meter: str = "kitchen") -> ReadingRows:
    return ReadingRows(meter, at(ms), (("ph", value, 0), ("orp", 215.0, 0)))


def note(ms: int) -> EventRow:
    return event_row(Event("note", at(ms), "", "something"))


def tails(path: Path) -> list[Path]:
    found = (path.with_name(path.name + suffix) for suffix in SUFFIXES)
    return [one for one in found if one.exists()]


def told(path: Path) -> list[tuple[int, float]]:
    with Records.open(path) as records:
        return [(r.stamp.at_ms - START, r.values["ph"]) for r in records.readings()]


def left_by_a_crash(path: Path, name: str = "crashed") -> Path:
    """Copy a store in use as a killed process leaves it."""
    folder = path.parent / name
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    for file in path.parent.glob(path.name + "*"):
        if not file.name.endswith(("-shm", ".lock")):
            shutil.copy(file, folder)
    return folder / path.name


@pytest.fixture
def filling(tmp_path: Path) -> Ledger:
    """Open a store with some readings in the tail, the first 10 s in the store itself."""
    ledger = Ledger(tmp_path / "water.db", at(0))
    for second in range(0, 60, 10):
        ledger.commit([said((second + s) * 1000) for s in range(10)])
    return ledger


def test_a_commit_of_readings_writes_one_block_and_nothing_of_the_store(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "water.db", at(0))
    meters = ("feed", "product")
    ledger.commit([said(0, meter=meter) for meter in meters])
    log, ends = ledger.path.with_name("water.db-wal").read_bytes(), []
    for second in range(10, 120, 10):
        ms = [(second + s) * 1000 for s in range(10)]
        before = [one.read_bytes() for one in tails(ledger.path)]
        ledger.commit([said(one, 7.0 + one / 1e6, meter) for one in ms for meter in meters])
        (tail,) = (one for one in tails(ledger.path) if one.read_bytes() not in before)
        content = tail.read_bytes()
        old = (before[0] if before else b"").ljust(len(content), b"\0")
        changed = [
            block
            for block in range(0, len(content), BLOCK)
            if content[block : block + BLOCK] != old[block : block + BLOCK]
        ]
        assert len(changed) == 1
        ends.append(len(content))
    assert ledger.path.with_name("water.db-wal").read_bytes() == log
    assert ends[-1] > BLOCK  # so one did not fit and went into the next block
    assert len(told(ledger.path)) == 2 + 110 * 2
    ledger.close(at(0))


def test_five_minutes_are_in_the_tail_and_the_files_do_not_grow(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "water.db", at(0))
    largest = []
    for second in range(0, 3600, 10):
        ledger.commit([said((second + s) * 1000) for s in range(10)])
        with closing(sqlite3.connect(ledger.path)) as connection:
            (seen,) = connection.execute("SELECT max(at_ms) FROM readings").fetchone()
        assert (second + 9) * 1000 - (seen - START) < 310_000
        largest.append(sum(one.stat().st_size for one in tails(ledger.path)))
    assert max(largest) == max(largest[:60]) < 64 * 1024
    assert len(told(ledger.path)) == 3600
    ledger.close(at(0))
    assert len(told(ledger.path)) == 3600
    verify(ledger.path)


YEAR_MS = 365 * 86_400_000


def an_hour(path: Path, wrong_ms: int | None) -> tuple[int, int]:
    """Let two meters speak for an hour; gives the transactions it took and the bytes of their log.

    Before that the clock was wrong by so much, for one reading, and was set right.
    """
    ledger = Ledger(path, at(0))
    meters = ("feed", "product")
    ledger.commit([said(s * 1000, meter=meter) for s in range(600) for meter in meters])
    seconds = range(620, 620 + 3600, 10)
    if wrong_ms is not None:
        wrong = Stamp(START + 601_000 + wrong_ms, at(601_000).mono_ns)
        ledger.commit([ReadingRows("feed", wrong, (("ph", 8.0, 0), ("orp", 215.0, 0)))])
    ledger.commit([said(610_000, meter=meter) for meter in meters])
    transactions, before = 0, ledger.wal_bytes
    for second in seconds:
        log = ledger.wal_bytes
        ledger.commit([said((second + s) * 1000, meter=m) for s in range(10) for m in meters])
        transactions += ledger.wal_bytes != log
    written = ledger.wal_bytes - before
    crashed = left_by_a_crash(path, f"{path.stem} crashed")
    copy = path.with_name(f"{path.stem} copy.db")
    back_up(path, copy)
    ledger.close(at(seconds.stop * 1000))
    expected = [*range(0, 600_000, 1000), *range(610_000, 611_000, 1000)]
    expected = sorted([*expected, *range(620_000, seconds.stop * 1000, 1000)] * 2)
    if wrong_ms is not None:
        expected = sorted([*expected, 601_000 + wrong_ms])
    for one in (path, copy, crashed):
        assert [ms for ms, _ in told(one)] == expected
        verify(one)
        with Records.open(one) as records:
            span = records.span("feed", "ph", since_ms=START, until_ms=START + 2 * 3_600_000)
            assert sum(point.n for point in span.points) == 600 + 1 + 3600
    return transactions, written


@pytest.mark.parametrize("wrong_ms", [YEAR_MS, 40 * YEAR_MS, 2 * 3_600_000, -YEAR_MS])
def test_a_clock_that_was_wrong_once_costs_nothing_once_it_is_right(
    tmp_path: Path, wrong_ms: int
) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    transactions, written = an_hour(tmp_path / "a" / "right.db", None)
    after, written_after = an_hour(tmp_path / "b" / "wrong.db", wrong_ms)
    assert transactions == 12
    assert after == transactions
    # Of late readings hours and days are written every five minutes too.
    assert written_after < written * 1.35


def test_a_clock_set_back_an_hour_writes_the_hour_again_as_cheaply(tmp_path: Path) -> None:
    """Each instant of that hour is taken already: the readings move by a millisecond."""
    ledger = Ledger(tmp_path / "water.db", at(0))
    for second in range(0, 3600, 10):
        ledger.commit([said((second + s) * 1000) for s in range(10)])
    transactions = 0
    for second in range(0, 3600, 10):
        log = ledger.wal_bytes
        ledger.commit(
            [
                ReadingRows("kitchen", Stamp(START + ms, (START + 3_600_000 + ms) * 10**6), cells)
                for ms in range(second * 1000, second * 1000 + 10_000, 1000)
                for cells in [(("ph", 7.5, 0), ("orp", 215.0, 0))]
            ]
        )
        transactions += ledger.wal_bytes != log
    ledger.close(at(7_200_000))
    assert transactions <= 13  # one more for the clock itself
    found = told(ledger.path)
    assert [one for one in found if one[1] == 7.01] == [(s * 1000, 7.01) for s in range(3600)]
    assert [one for one in found if one[1] == 7.5] == [(s * 1000 + 1, 7.5) for s in range(3600)]
    verify(ledger.path)


def test_after_a_clean_stop_everything_stands_in_the_store(filling: Ledger) -> None:
    assert tails(filling.path)
    filling.close(at(60_000))
    assert not tails(filling.path)
    with closing(sqlite3.connect(filling.path)) as connection:
        assert connection.execute("SELECT count(*) FROM readings").fetchone() == (120,)


def test_a_killed_process_leaves_what_was_committed_to_readers_and_the_next_one(
    filling: Ledger,
) -> None:
    crashed = left_by_a_crash(filling.path)
    filling.close(at(60_000))
    expected = [(s * 1000, 7.01) for s in range(60)]
    assert told(crashed) == expected
    again = Ledger(crashed, at(70_000))
    assert told(crashed) == expected
    with Records.open(crashed) as records:
        assert records.runs()[1].ended_ms == START + 59_000
    again.commit([said(70_000)])
    again.commit([said(71_000)])
    assert told(crashed) == [*expected, (70_000, 7.01), (71_000, 7.01)]
    again.close(at(80_000))
    assert len(told(crashed)) == 62
    verify(crashed)


def test_of_a_torn_tail_all_before_the_tear_is_there(filling: Ledger) -> None:
    crashed = left_by_a_crash(filling.path)
    filling.close(at(60_000))
    (tail,) = tails(crashed)
    whole = tail.read_bytes()
    for spoil in (lambda n: whole[:n], lambda n: whole[:n] + b"\xff" * (len(whole) - n)):
        for n in range(0, len(whole), 97):
            tail.write_bytes(spoil(n))
            found = told(crashed)
            assert found == [(s * 1000, 7.01) for s in range(len(found))]
            assert len(found) % 10 == 0
            assert len(found) >= 10 + 10 * (n // (len(whole) // 5 + 1))


def test_who_may_read_and_write_the_store_may_its_tail(tmp_path: Path) -> None:
    """As SQLite keeps it with the log: its rights whatever the umask, and its owner for root."""
    path = tmp_path / "water.db"
    Ledger(path, at(0)).close(at(0))
    path.chmod(0o660)
    if os.geteuid() == 0:
        os.chown(path, 12345, 23456)
    before = os.umask(0o077)
    try:
        ledger = Ledger(path, at(0))
        for second in range(4):
            ledger.commit([said(second * 1000)], [note(0)] if second == 2 else [])
    finally:
        os.umask(before)
    beside = [path.with_name("water.db-wal"), *tails(path)]
    store = path.stat()
    assert [(one.st_mode, one.st_uid, one.st_gid) for one in (file.stat() for file in beside)] == [
        (store.st_mode, store.st_uid, store.st_gid)
    ] * len(beside)
    assert len(beside) == 3
    ledger.close(at(0))


def test_what_could_not_be_appended_is_neither_seen_nor_kept_twice(filling: Ledger) -> None:
    (tail,) = tails(filling.path)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    late = [said((60 + s) * 1000, 7.5) for s in range(10)]
    for slack in (0, 9, 60):
        resource.setrlimit(resource.RLIMIT_FSIZE, (tail.stat().st_size + slack, hard))
        try:
            with pytest.raises(StoreStalled, match="writing failed: the disk reports an error"):
                filling.commit(late)
            assert len(told(filling.path)) == 60
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    filling.commit(late, [note(70_000)])
    filling.commit([said(71_000)])
    assert [ms for ms, _ in told(filling.path)] == [*range(0, 70_000, 1000), 71_000]
    filling.close(at(80_000))
    assert len(told(filling.path)) == 71
    verify(filling.path)


def test_what_was_appended_after_one_failure_outlives_the_next(filling: Ledger) -> None:
    for second in range(60, 100, 10):
        with pytest.raises(StoreError):  # in the middle: the turn had begun and is undone
            filling.commit([said(second * 1000, math.inf)], [note(0)])
        filling.commit([said((second + s) * 1000) for s in range(10)])
        with closing(sqlite3.connect(filling.path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            filling._connection.execute("PRAGMA busy_timeout = 1")
            with pytest.raises(StoreStalled):  # at its begin
                filling.commit([], [note(0)])
        filling.commit([said(second * 1000 + 9_500)])
        expected = [ms for s in range(60, second + 10, 10) for ms in (s * 1000 + 9_500,)]
        expected += range(0, (second + 10) * 1000, 1000)
        assert [ms for ms, _ in told(filling.path)] == sorted(expected)
    filling.close(at(120_000))
    assert [ms for ms, _ in told(filling.path)] == sorted(expected)


def test_a_transaction_that_fails_leaves_the_tail_as_it_was(filling: Ledger) -> None:
    with pytest.raises(StoreError):
        filling.commit([said(60_000), said(61_000, math.inf)], [note(60_000)])
    assert len(told(filling.path)) == 60
    filling.commit([said(60_000)])
    filling.commit([said(61_000)], [note(61_000)])
    filling.commit([said(62_000)])
    assert [ms for ms, _ in told(filling.path)] == list(range(0, 63_000, 1000))
    filling.close(at(80_000))
    verify(filling.path)


class Failing:
    """A connection whose disk refuses one COMMIT and, from then on, to be read."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self.is_failing = True
        self._has_failed = False

    def __getattr__(self, name: str) -> object:
        return getattr(self._connection, name)

    def execute(self, query: str, values: Sequence[Any] = ()) -> sqlite3.Cursor:
        self._has_failed |= self.is_failing and query == "COMMIT"
        if self.is_failing and self._has_failed:
            error = sqlite3.OperationalError("disk I/O error")
            error.sqlite_errorcode = sqlite3.SQLITE_IOERR
            raise error
        return self._connection.execute(query, values)


def test_a_disk_that_can_neither_be_written_nor_read_for_a_while_costs_nothing(
    filling: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    failing = Failing(filling._connection)
    monkeypatch.setattr(filling, "_connection", failing)
    tables = filling._tables
    for one in (tables, tables._packer, tables._packer._tail, tables._rolls):
        monkeypatch.setattr(one, "_execute", failing.execute)
    late = [said(60_000)]
    with pytest.raises(StoreStalled):
        filling.commit(late, [note(60_000)])
    for _ in range(2):
        with pytest.raises(StoreStalled):
            filling.commit(late)
    failing.is_failing = False
    filling.commit(late)
    filling.commit([said(61_000)])
    filling.commit([said(62_000)], [note(62_000)])
    assert [ms for ms, _ in told(filling.path)] == list(range(0, 63_000, 1000))
    filling.close(at(80_000))
    assert len(told(filling.path)) == 63
    verify(filling.path)


@pytest.mark.parametrize("turns", [1, 2, 5, "a stop"])
def test_who_reads_while_the_tail_is_emptied_sees_each_reading_once(
    filling: Ledger, turns: int | str
) -> None:
    with closing(sqlite3.connect(filling.path, isolation_level=None)) as reader:
        with snapshot(reader):
            reader.execute("SELECT count(*) FROM packs").fetchone()
            for second in range(60, 60 + 2 * (turns if isinstance(turns, int) else 1), 2):
                filling.commit([said(second * 1000)], [note(60_000)])
                filling.commit([said(second * 1000 + 1000)])
                until = second + 2
            if turns == "a stop":
                filling.close(at(80_000))
                assert not tails(filling.path)
            seen = [one.at_ms - START for one in values_between(reader.execute, START, 2**50)]
            assert count_values(reader.execute) == 120
        after = [one.at_ms - START for one in values_between(reader.execute, START, 2**50)]
    assert seen[::2] == list(range(0, 60_000, 1000))
    assert after[::2] == list(range(0, until * 1000, 1000))
    if turns != "a stop":
        filling.close(at(80_000))


def test_a_copy_has_what_the_tail_has_and_heeds_no_tail_it_is_put_beside(
    filling: Ledger, tmp_path: Path
) -> None:
    copy = tmp_path / "copy.db"
    back_up(filling.path, copy)
    assert len(told(copy)) == 60
    assert verify(copy)[-1].startswith("120 values")
    crashed = left_by_a_crash(filling.path)
    filling.close(at(60_000))
    assert tails(crashed)
    crashed.with_name("water.db-wal").unlink()
    shutil.copy(copy, crashed)  # put back while the files of the crash are still there
    assert len(told(crashed)) == 60
    Ledger(crashed, at(70_000)).close(at(70_000))
    assert len(told(crashed)) == 60
    assert not tails(crashed)


def test_a_store_is_compacted_with_what_a_killed_process_left(filling: Ledger) -> None:
    crashed = left_by_a_crash(filling.path)
    filling.close(at(60_000))
    compact(crashed)
    assert len(told(crashed)) == 60


def test_a_tail_without_its_store_is_not_taken_for_that_of_a_new_one(filling: Ledger) -> None:
    crashed = left_by_a_crash(filling.path)
    filling.close(at(60_000))
    for file in (crashed, crashed.with_name("water.db-wal")):
        file.unlink()
    with pytest.raises(StoreError, match=r"water\.db-tail. is there: it holds the last records"):
        Ledger(crashed, at(0))
    assert not crashed.exists()


def test_a_damaged_store_is_put_aside_with_its_tail(filling: Ledger) -> None:
    crashed = left_by_a_crash(filling.path)
    filling.close(at(60_000))
    crashed.with_name("water.db.lock").touch()
    content = {file.name: file.read_bytes() for file in tails(crashed)}
    aside = set_aside(crashed, START, StoreDamaged("ruined"))
    assert not tails(crashed)
    assert [file.read_bytes() for file in tails(aside)] == list(content.values())


def test_a_store_of_version_10_is_brought_up_with_the_packs_of_its_last_commits(
    tmp_path: Path,
) -> None:
    path = tmp_path / "water.db"
    old = Ledger(path, at(0), STEPS[:9])
    old.commit([said(s * 1000) for s in range(100)])
    old.close(at(100_000))
    with closing(sqlite3.connect(path)) as connection, connection:
        (clock, series) = connection.execute("SELECT clock, series FROM packs").fetchone()
        for slot, turn in ((1, 7), (2, 7), (3, 6)):  # the last is of a turn that is over
            connection.execute(
                "INSERT INTO fresh_packs VALUES (?, ?, ?, ?, ?, ?, ?)",
                (
                    slot,
                    turn,
                    (START + 100_000 * slot) * 1024,
                    clock,
                    series,
                    "[1e2,1e0]",
                    "[[0,701,215]]",
                ),
            )
        connection.execute("UPDATE fresh_turn SET turn = 7")
    new = Ledger(path, at(300_000))
    assert [ms for ms, _ in told(path)] == [*range(0, 100_000, 1000), 100_000, 200_000]
    new.commit([said(300_000)])
    new.close(at(300_000))
    assert len(told(path)) == 103
    assert verify(path)[-1].startswith("206 values")
    assert verify(path.with_name("water.db.v10.backup"))


def test_minutes_that_somebody_waits_for_come_every_minute(tmp_path: Path) -> None:
    waited: dict[str, list[int]] = {}
    for level in ("minutes", ""):
        ledger = Ledger(tmp_path / f"water{level}.db", at(0))
        ledger.commit([], [Carrier("mqtt", rollups=level)])
        through = waited[level] = []
        for second in range(0, 600, 10):
            ledger.commit([said((second + s) * 1000) for s in range(10)])
            with Outbox.open(ledger.path) as outbox:
                (row,) = outbox._all("SELECT through_ms FROM rolled WHERE level = 'minutes'")
                through.append(second // 60 - (row[0] - START) // 60_000)
        ledger.close(at(0))
    assert max(waited["minutes"][2:]) <= 0
    assert max(waited[""][2:]) == 4


def _not_synced(_descriptor: int) -> None:
    raise OSError(errno.EIO, "Input/output error")


Act = tuple[str, int]
acts = st.lists(
    st.one_of(
        st.tuples(st.just("read"), st.integers(1, 40)),
        st.tuples(st.just("late"), st.integers(1, 300)),
        st.tuples(st.just("clock"), st.sampled_from([-7200, -60, -1, 3600, 31_536_000])),
        st.tuples(st.just("note"), st.just(0)),
        st.tuples(st.just("meter"), st.integers(0, 3)),
        st.tuples(
            st.sampled_from(["undone", "unsynced", "busy", "neither", "taken away"]), st.just(0)
        ),
        st.tuples(st.just("kill"), st.just(0)),
        st.tuples(st.just("stop"), st.just(0)),
    ),
    max_size=40,
)


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=50
)
@given(acts)
def test_whatever_happens_each_reading_that_was_committed_is_there_once(
    tmp_path_factory: pytest.TempPathFactory, doing: list[Act]
) -> None:
    """Late readings, other meters, captures between, failures, kills, stops and clocks that are
    set, in any order.
    """
    folder = tmp_path_factory.mktemp("tail")
    path = folder / "water.db"
    ledger, now, lead, meter, kills = Ledger(path, at(0)), 0, 0, "m0", 0
    kept: list[ReadingRows] = []
    numbers = itertools.count()

    def one_more(ms: int) -> ReadingRows:
        stamp = Stamp(START + ms + lead, at(ms).mono_ns)
        return ReadingRows(meter, stamp, (("ph", float(next(numbers)), 0), ("orp", 215.0, 0)))

    def endless() -> ReadingRows:
        return ReadingRows(meter, one_more(now).stamp, (("ph", math.inf, 0),))

    for what, amount in doing:
        match what:
            case "read":
                batch = [one_more(now + s * 1000) for s in range(amount)]
                ledger.commit(batch)
                kept += batch
                now += amount * 1000
            case "late":
                one = one_more(max(0, now - amount * 1000) + 137)
                ledger.commit([one])
                kept.append(one)
            case "clock":
                lead += amount * 1000
            case "note":
                ledger.commit([], [note(now)])
            case "meter":
                meter = f"m{amount}"
            case "undone":
                with pytest.raises(StoreError):
                    ledger.commit([endless()], [note(now)])
            case "unsynced":
                one = one_more(now)
                with pytest.MonkeyPatch.context() as patch:
                    patch.setattr(os, "fdatasync", _not_synced)
                    ledger.commit([one])
                kept.append(one)
                now += 1000
            case "busy":
                with closing(sqlite3.connect(path, isolation_level=None)) as other:
                    other.execute("BEGIN IMMEDIATE")
                    ledger._connection.execute("PRAGMA busy_timeout = 1")
                    with pytest.raises(StoreStalled):
                        ledger.commit([], [note(now)])
            case "neither":
                one = one_more(now)
                with (
                    closing(sqlite3.connect(path, isolation_level=None)) as other,
                    pytest.MonkeyPatch.context() as patch,
                ):
                    patch.setattr(os, "fdatasync", _not_synced)
                    other.execute("BEGIN IMMEDIATE")
                    ledger._connection.execute("PRAGMA busy_timeout = 1")
                    with pytest.raises(StoreStalled):
                        ledger.commit([one])
                ledger.commit([one])
                kept.append(one)
                now += 1000
            case "taken away":
                for tail in tails(path):
                    tail.unlink()
                one = one_more(now)
                ledger.commit([one])
                kept.append(one)
                now += 1000
            case "kill":
                kills += 1
                crashed = left_by_a_crash(path, f"crashed{kills}")
                ledger.close(at(now))
                path, ledger = crashed, Ledger(crashed, at(now))
            case "stop":
                ledger.close(at(now))
                ledger = Ledger(path, at(now))
    expected = sorted((r.cells[0][1], r.meter) for r in kept)
    stamps = {r.cells[0][1]: r.stamp.at_ms for r in kept}
    for is_last in (False, True):
        with Records.open(path) as records:
            said_ms = {r.values["ph"]: r.stamp.at_ms for r in records.readings()}
            found = sorted((r.values["ph"], r.meter) for r in records.readings())
            spans = [
                records.span(
                    f"m{k}", "ph", since_ms=START - 10 * YEAR_MS, until_ms=START + 50 * YEAR_MS
                )
                for k in range(4)
            ]
        assert found == expected
        # What was said at an instant that is taken stands a few milliseconds later.
        assert all(0 <= said_ms[key] - its <= len(kept) for key, its in stamps.items())
        assert sum(point.n for span in spans for point in span.points) == len(expected)
        if not is_last:
            copy = path.with_name("copy.db")
            back_up(path, copy)
            verify(path)
            verify(copy)
            ledger.close(at(now))
    verify(path)
