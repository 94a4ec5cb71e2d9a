"""Copying, examining and compacting a store."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from acquire.errors import StoreDamaged, StoreError, StoreTaken
from acquire.readings import Stamp
from acquire.store.ledger import Ledger
from acquire.store.records import Records
from acquire.store.rollups import Retention
from acquire.store.rows import ReadingRows
from acquire.store.upkeep import back_up, compact, verify

START_MS = 1_790_000_000_000
NOW = Stamp(START_MS, 0)


def fill(ledger: Ledger, first: int, count: int, step_s: int = 1) -> None:
    ledger.commit(
        [
            ReadingRows(
                "kitchen",
                Stamp(START_MS + n * step_s * 1000, n * step_s * 10**9),
                (("ph", 7.0 + n % 9 / 10, 0),),
            )
            for n in range(first, first + count)
        ]
    )


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "water.db"
    ledger = Ledger(path, NOW)
    fill(ledger, 0, 8000)
    fill(ledger, 8000, 1)
    ledger.close(NOW)
    return path


def test_a_copy_taken_while_the_store_is_written_is_one_whole_state(path: Path) -> None:
    ledger = Ledger(path, NOW)
    fill(ledger, 9000, 10)
    told: list[float] = []

    def meanwhile(part: float) -> None:
        told.append(part)
        fill(ledger, 9100 + len(told), 1)

    copy = path.with_name("copy.db")
    size = back_up(path, copy, meanwhile)
    ledger.close(NOW)
    assert told
    assert size == copy.stat().st_size
    assert verify(copy)
    with Records.open(copy) as records:
        assert sum(1 for _ in records.readings()) == 8011
    assert not copy.with_name("copy.db.new").exists()


def test_a_copy_never_replaces_a_file(path: Path) -> None:
    copy = path.with_name("dear.txt")
    copy.write_text("dear to me")
    with pytest.raises(StoreError, match="Name another"):
        back_up(path, copy)
    assert copy.read_text() == "dear to me"


def test_a_copy_that_is_stopped_leaves_nothing(path: Path) -> None:
    def stop(_: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        back_up(path, path.with_name("copy.db"), stop)
    assert not list(path.parent.glob("copy*"))


def test_a_sound_store_is_found_sound(path: Path) -> None:
    assert "8001 values of readings, 0 captures" in verify(path)


def test_a_roll_up_that_counts_otherwise_is_found(path: Path) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute(
            "UPDATE minutes SET n = n + 1 WHERE start_ms = (SELECT start_ms FROM "
            "minutes LIMIT 1 OFFSET 5)"
        )
    with pytest.raises(StoreDamaged, match="minutes count"):
        verify(path)


def test_a_damaged_page_is_found(path: Path) -> None:
    with path.open("r+b") as file:
        file.seek(path.stat().st_size // 2)
        file.write(b"\xff" * 2048)
    with pytest.raises(StoreDamaged):
        verify(path)


def test_compacting_gives_the_disk_back_what_expired_left(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "water.db", NOW, retention=Retention(raw_days=1))
    for day in range(6):
        fill(ledger, day * 8640, 8640, step_s=10)
        for _ in range(50):
            fill(ledger, 0, 0)
    ledger.close(NOW)
    before, after = compact(ledger.path)
    assert after < before * 0.9
    assert after == ledger.path.stat().st_size
    assert verify(ledger.path)
    with closing(sqlite3.connect(ledger.path)) as connection:
        assert connection.execute("PRAGMA page_size").fetchone() == (1024,)
        assert connection.execute("PRAGMA auto_vacuum").fetchone() == (0,)


def test_a_store_in_use_is_not_compacted(path: Path) -> None:
    ledger = Ledger(path, NOW)
    with pytest.raises(StoreTaken):
        compact(path)
    ledger.close(NOW)


def test_no_store_is_told(tmp_path: Path) -> None:
    for work in (verify, compact):
        with pytest.raises(StoreError, match="no store"):
            work(tmp_path / "none.db")
