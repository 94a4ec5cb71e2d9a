"""Files that are not a store, or not one this ouzel knows, are refused and left as they are."""

from __future__ import annotations

import os
import resource
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

import pytest

from acquire.errors import StoreDamaged, StoreError, StoreNewer
from acquire.readings import CaptureState, Stamp
from acquire.store import Records, database
from acquire.store.database import APPLICATION_ID
from acquire.store.ledger import Ledger
from acquire.store.migrations import known_version
from acquire.store.rows import capture_rows, reading_rows

T0 = Stamp(1_790_000_000_000, 10**12)


def snapshot(folder):
    return {path.name: path.is_dir() or path.read_bytes() for path in folder.iterdir()}


def refuses(path, error, match):
    """Both ways of opening refuse, and nothing in the folder changes."""
    before = snapshot(path.parent)
    with pytest.raises(error, match=match):
        Ledger(path, T0)
    with pytest.raises(error, match=match):
        Records.open(path)
    after = snapshot(path.parent)
    after.pop(path.name + ".lock", None)
    before.pop(path.name + ".lock", None)
    assert after == before


@pytest.fixture
def filled(store, said):
    ledger = Ledger(store, T0)
    ledger.commit([reading_rows(said(s / 10)) for s in range(2000)])
    ledger.close(T0)
    return store


def test_another_programs_database_is_refused(tmp_path):
    path = tmp_path / "bees.db"
    with closing(sqlite3.connect(path)) as other:
        other.execute("PRAGMA journal_mode = WAL")
        other.execute("CREATE TABLE hives (name)")
    refuses(path, StoreError, "database of another program")
    assert [one.name for one in tmp_path.iterdir()] == ["bees.db"]


@pytest.mark.parametrize("content", [b"x", b"\0" * 4096, b"SQLite format 3\0", os.urandom(9000)])
def test_what_is_no_database_is_refused(tmp_path, content):
    path = tmp_path / "notes.txt"
    path.write_bytes(content)
    refuses(path, StoreDamaged, "not a database")
    assert [one.name for one in tmp_path.iterdir()] == ["notes.txt"]


def test_a_store_from_a_newer_ouzel_is_refused(filled):
    with closing(sqlite3.connect(filled)) as newer:
        newer.execute("PRAGMA user_version = 99")
    known = known_version()
    refuses(filled, StoreNewer, f"has version 99, this ouzel knows up to {known}: install a newer")


def test_a_newer_version_that_stands_only_in_the_log_is_seen(filled):
    """As when a newer ouzel was killed right after it had migrated."""
    with closing(sqlite3.connect(filled, isolation_level=None)) as newer:
        newer.execute("PRAGMA wal_autocheckpoint = 0")
        newer.execute("PRAGMA user_version = 99")
        copies = {one.name: one.read_bytes() for one in filled.parent.iterdir()}
    for name, content in copies.items():
        if not name.endswith("-shm"):
            (filled.parent / name).write_bytes(content)
    content = (copies["water.db"], copies["water.db-wal"])
    for open_it in (lambda: Ledger(filled, T0), lambda: Records.open(filled)):
        with pytest.raises(StoreNewer):
            open_it()
        now = (filled.read_bytes(), filled.with_name("water.db-wal").read_bytes())
        assert now == content


def test_a_damaged_store_is_refused_with_what_to_do(filled):
    content = bytearray(filled.read_bytes())
    for page in range(90, 100):
        content[page * 1024 : page * 1024 + 512] = b"\xa5" * 512
    filled.write_bytes(content)
    before = filled.read_bytes()
    with pytest.raises(StoreDamaged, match=r"water\.db: the store is damaged .* backup"):
        Ledger(filled, T0)
    assert filled.read_bytes() == before
    with Records.open(filled) as records:  # what can still be read may be
        assert records.check() != ""


def test_a_store_without_a_version_is_refused(filled):
    with closing(sqlite3.connect(filled)) as connection:
        connection.execute("PRAGMA user_version = 0")
    refuses(filled, StoreDamaged, "has no version")


def test_a_truncated_store_is_refused(filled):
    filled.write_bytes(filled.read_bytes()[: 10 * 1024])
    with pytest.raises(StoreDamaged):
        Ledger(filled, T0)


def test_a_large_store_has_its_small_tables_checked(filled, monkeypatch):
    monkeypatch.setattr(database, "CHECKED_WHOLE_BYTES", 1000)
    with closing(sqlite3.connect(filled)) as connection:
        (page,) = connection.execute(
            "SELECT rootpage FROM sqlite_schema WHERE name = 'captures_by_time'"
        ).fetchone()
    Ledger(filled, T0).close(T0)
    content = bytearray(filled.read_bytes())
    content[(page - 1) * 1024 : page * 1024] = b"\xa5" * 1024
    filled.write_bytes(content)
    with pytest.raises(StoreDamaged):
        Ledger(filled, T0)


def test_an_empty_file_becomes_a_store(tmp_path):
    path = tmp_path / "water.db"
    path.touch()
    Ledger(path, T0).close(T0)
    Records.open(path).close()


def test_a_log_without_its_store_is_not_replayed_into_a_new_one(tmp_path):
    path = tmp_path / "water.db"
    path.with_name("water.db-wal").write_bytes(b"the last hour of a store")
    with pytest.raises(StoreError, match=r"water\.db-wal"):
        Ledger(path, T0)
    assert not path.exists()
    assert path.with_name("water.db-wal").read_bytes() == b"the last hour of a store"


def test_what_an_interrupted_making_left_is_replaced(tmp_path):
    path = tmp_path / "water.db"
    path.with_name("water.db.new").write_bytes(b"half")
    path.with_name("water.db.new-journal").write_bytes(b"half")
    Ledger(path, T0).close(T0)
    assert sorted(one.name for one in tmp_path.iterdir()) == ["water.db", "water.db.lock"]


def test_a_new_store_is_marked_and_set_up(filled):
    with closing(sqlite3.connect(filled)) as connection:
        settings = {
            name: connection.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("application_id", "user_version", "journal_mode", "auto_vacuum")
        }
    assert settings == {
        "application_id": APPLICATION_ID,
        "user_version": known_version(),
        "journal_mode": "wal",
        "auto_vacuum": 0,
    }


def test_a_folder_in_the_way_is_said(tmp_path):
    (tmp_path / "water.db").mkdir()
    refuses(tmp_path / "water.db", StoreError, "directory")


def test_a_file_where_a_folder_should_be_is_said(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(StoreError, match="Not a directory"):
        Ledger(tmp_path / "file" / "water.db", T0)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody without rights")
@pytest.mark.parametrize("name", ["water.db", "deeper/water.db"])
def test_a_folder_that_may_not_be_written_is_said(name):
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        os.seteuid(65534)
        try:
            with pytest.raises(StoreError, match="ermission"):
                Ledger(Path(folder) / name, T0)
        finally:
            os.seteuid(0)
        assert list(Path(folder).iterdir()) == []


def test_a_full_disk_at_the_start_is_said_and_gives_the_store_back(filled):
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, hard))
    try:
        with pytest.raises(StoreError, match="the disk reports an error"):
            Ledger(filled, T0)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    Ledger(filled, T0).close(T0)


def test_the_store_reads_in_words(filled, capture):
    ledger = Ledger(filled, T0)
    for state in (CaptureState.PROVISIONAL, CaptureState.FINAL):
        ledger.commit([], [capture_rows(capture(state=state))])
    ledger.close(T0)
    with closing(sqlite3.connect(filled)) as connection:
        rows = connection.execute(
            "SELECT taken, water, state, quantity, value, unit FROM captures_in_words"
        ).fetchall()
    assert rows == [
        ("2026-09-21T14:14:20.000Z", "kitchen tap", "final", "ph", 7.01, "[pH]"),
        ("2026-09-21T14:14:20.000Z", "kitchen tap", "final", "tds", 256.0, "mg/L"),
    ]
    with closing(sqlite3.connect(filled)) as connection:
        row = connection.execute("SELECT * FROM readings_in_words LIMIT 1").fetchone()
    assert row == ("2026-09-21T14:13:20.000Z", "kitchen", "ph", 7.0, "[pH]", "")
