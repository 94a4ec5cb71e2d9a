"""From version to version: one transaction a step, a copy before, never between two versions."""

from __future__ import annotations

import sqlite3
from contextlib import closing

import pytest

from acquire.errors import StoreError
from acquire.readings import Stamp
from acquire.store.ledger import Ledger
from acquire.store.migrations import STEPS, Step, known_version
from acquire.store.rows import reading_rows

T0 = Stamp(1_790_000_000_000, 10**12)
STEP_2 = Step(2, "CREATE TABLE notes (text TEXT NOT NULL) STRICT; INSERT INTO notes VALUES ('a');")
STEP_3 = Step(3, "ALTER TABLE notes ADD COLUMN at_ms INTEGER; UPDATE notes SET at_ms = 1;")
BAD_3 = Step(3, "INSERT INTO notes VALUES ('b'); INSERT INTO nothing VALUES (1);")
ORPHAN_3 = Step(3, "PRAGMA defer_foreign_keys = ON; DELETE FROM series;")
COMMITS_3 = Step(3, "INSERT INTO notes VALUES ('b'); COMMIT;")


@pytest.fixture
def old(store, said):
    """A store of version 1 with something in it."""
    ledger = Ledger(store, T0, ())
    ledger.commit([reading_rows(said(s)) for s in range(100)])
    ledger.close(T0)
    return store


def ask(path, query):
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(query).fetchall()


def test_an_older_store_is_copied_then_brought_up_to_date(old):
    Ledger(old, T0, (STEP_2, STEP_3)).close(T0)
    assert ask(old, "PRAGMA user_version") == [(3,)]
    assert ask(old, "SELECT * FROM notes") == [("a", 1)]
    assert ask(old, "SELECT count(*) FROM readings") == [(200,)]
    backup = old.with_name("water.db.v1.backup")
    assert ask(backup, "PRAGMA user_version") == [(1,)]
    assert ask(backup, "SELECT count(*) FROM readings") == [(200,)]
    assert ask(backup, "PRAGMA integrity_check") == [("ok",)]
    Ledger(backup, T0, ()).close(T0)  # the copy is a store like any other


def test_a_new_store_begins_at_the_last_version(store):
    Ledger(store, T0, (STEP_2, STEP_3)).close(T0)
    assert ask(store, "PRAGMA user_version") == [(3,)]
    assert ask(store, "SELECT * FROM notes") == [("a", 1)]
    assert not list(store.parent.glob("*.backup"))


def test_nothing_to_do_makes_no_copy(old):
    Ledger(old, T0, ()).close(T0)
    assert not list(old.parent.glob("*.backup"))


@pytest.mark.parametrize("bad", [BAD_3, ORPHAN_3, COMMITS_3])
def test_a_step_that_fails_leaves_the_version_before_it_and_the_store_usable(old, bad):
    with pytest.raises(StoreError, match="version 3"):
        Ledger(old, T0, (STEP_2, bad))
    assert ask(old, "PRAGMA user_version") == [(2,)]
    if bad is not COMMITS_3:
        assert ask(old, "SELECT text FROM notes") == [("a",)]
    assert ask(old, "SELECT count(*) FROM series") == [(2,)]
    Ledger(old, T0, (STEP_2,)).close(T0)
    assert ask(old, "SELECT count(*) FROM readings") == [(200,)]


def test_a_failure_repeated_does_not_heap_up_copies(old):
    for _ in range(3):
        with pytest.raises(StoreError):
            Ledger(old, T0, (STEP_2, BAD_3))
    assert sorted(one.name for one in old.parent.glob("*.backup")) == [
        "water.db.v1.backup",
        "water.db.v2.backup",
    ]


def test_the_version_after_migrating_stands_in_the_file_itself(old):
    ledger = Ledger(old, T0, (STEP_2,))
    try:
        assert int.from_bytes(old.read_bytes()[60:64], "big") == 2
    finally:
        ledger.close(T0)


def test_steps_are_numbered_without_a_gap():
    assert known_version((STEP_2, STEP_3)) == 3
    with pytest.raises(ValueError, match="stands where"):
        known_version((STEP_3,))
    known_version(STEPS)
