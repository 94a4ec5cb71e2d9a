"""Readings, many to a row: what goes in comes out, by our code and by SQL alone."""

from __future__ import annotations

import math
import sqlite3
import struct
from contextlib import closing
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from acquire.readings import Event, Stamp
from acquire.store.ledger import Ledger
from acquire.store.migrations import STEPS
from acquire.store.packs import WINDOW_MS, newest_ms, oldest_ms, values_between, windows
from acquire.store.records import Records
from acquire.store.rows import EventRow, ReadingRows, event_row
from acquire.store.upkeep import verify

WINDOW = 1_790_000_400_000  # a whole number of ten minutes
assert WINDOW % WINDOW_MS == 0
NOW = Stamp(WINDOW, WINDOW * 1_000_000)

NAMES = ("ph", "orp", "tds")
Cells = tuple[tuple[str, float | None, int], ...]

numbers = st.one_of(
    st.decimals(-2000, 20_000, places=2).map(float),
    st.floats(width=32, allow_nan=False, allow_infinity=False),
    st.floats(allow_nan=False, allow_infinity=False),
    st.sampled_from([0.0, -0.0, 0.1, 2.0**53, 2.0**53 - 1, 1e22, 5e-324, 1e-22, 123456789.012345]),
)
cells = st.one_of(
    st.tuples(numbers, st.sampled_from([0, 0, 0, 1, 3])), st.tuples(st.none(), st.integers(1, 3))
)


def rows(at_ms: int, *said: tuple[float | None, int], meter: str = "kitchen") -> ReadingRows:
    found: Cells = tuple((name, *one) for name, one in zip(NAMES, said, strict=False))
    return ReadingRows(meter, Stamp(at_ms, at_ms * 1_000_000), found)


def note(n: int) -> EventRow:
    """Make an event: what is kept with it goes in a transaction."""
    return event_row(Event("note", Stamp(WINDOW + n, WINDOW * 1_000_000 + n), "", f"event {n}"))


def bits(value: float | None) -> bytes | None:
    """Tell doubles apart to the last bit; but SQLite knows no negative zero."""
    return None if value is None else struct.pack(">d", value + 0.0)


def by_sql(path: Path, query: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
        return connection.execute(query).fetchall()


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 2 * WINDOW_MS), st.lists(cells, min_size=1, max_size=3)),
        min_size=1,
        max_size=40,
        unique_by=lambda one: one[0],
    ),
    st.integers(1, 9),
)
def test_every_bit_comes_back_before_and_after_packs_are_put_together(
    tmp_path_factory: pytest.TempPathFactory,
    said: list[tuple[int, list[tuple[float | None, int]]]],
    batch: int,
) -> None:
    path = tmp_path_factory.mktemp("packs") / "water.db"
    ledger = Ledger(path, NOW)
    for start in range(0, len(said), batch):
        ledger.commit([rows(WINDOW + at, *one) for at, one in said[start : start + batch]])
    wanted = {
        (WINDOW + at, k): (bits(value), flag)
        for at, one in said
        for k, (value, flag) in enumerate(one)
    }
    ours, theirs = held_by(path)
    assert ours == wanted
    assert theirs.items() <= wanted.items()  # SQL does not see the tail
    ledger.commit([rows(WINDOW + 9 * WINDOW_MS, (7.0, 0))])
    for n in range(12):
        ledger.commit([], [note(n)])
    wanted[WINDOW + 9 * WINDOW_MS, 0] = (bits(7.0), 0)
    assert held_by(path) == (wanted, wanted)
    ledger.close(NOW)
    verify(path)


Held = dict[tuple[int, int], tuple[bytes | None, int]]


def held_by(path: Path) -> tuple[Held, Held]:
    """Give all values by instant and quantity: as our code reads them, and as SQL does."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
        names = dict(connection.execute("SELECT id, quantity FROM series"))
        ours = values_between(connection.execute, 0, 2**52)
        theirs = connection.execute("SELECT at_ms, series, value, flag FROM readings").fetchall()
    places = {key: NAMES.index(name) for key, name in names.items()}
    return (
        {(one.at_ms, places[one.series]): (bits(one.value), one.flag) for one in ours},
        {(at, places[series]): (bits(value), flag) for at, series, value, flag in theirs},
    )


@given(numbers)
def test_a_whole_number_over_a_power_of_ten_is_the_nearest_double(value: float) -> None:
    """IEEE 754-2019, 5.4.1: division is correctly rounded. Held against exact fractions."""
    m, d = round(Fraction(value) * 100), 2
    if abs(m) < 2**53:
        assert m / 10**d == float(Fraction(m, 10**d))


def test_ten_minutes_of_seconds_are_a_few_rows_a_meter(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "water.db", NOW)
    for ten_s in range(0, 750, 10):
        ledger.commit(
            [
                rows(WINDOW + (ten_s + s) * 1000, (7.01 + s / 100, 0), (200.0, 0), meter=meter)
                for s in range(10)
                for meter in ("feed", "product")
            ]
        )
    ((packs,),) = by_sql(
        ledger.path, f"SELECT count(*) FROM packs WHERE key < {(WINDOW + WINDOW_MS) * 1024}"
    )
    assert 2 * 2 <= packs <= 2 * 3
    ((told,),) = by_sql(ledger.path, "SELECT count(*) FROM readings")
    assert 600 * 2 * 2 <= told <= 750 * 2 * 2  # by SQL up to five minutes late
    with Records.open(ledger.path) as records:
        assert len(list(records.readings())) == 750 * 2
    ledger.close(NOW)
    assert by_sql(ledger.path, "SELECT count(*) FROM readings") == [(750 * 2 * 2,)]
    assert by_sql(ledger.path, "SELECT count(*) FROM single_readings") == [(0,)]


def test_ten_minutes_of_many_transactions_become_one_row_a_meter(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "water.db", NOW)
    for ten_s in range(0, 900, 10):
        said = [rows(WINDOW + (ten_s + s) * 1000, (7.01 + s / 100, 0)) for s in range(10)]
        ledger.commit(said, [note(ten_s)])
    packs = by_sql(
        ledger.path, f"SELECT count(*) FROM packs WHERE key < {(WINDOW + WINDOW_MS) * 1024}"
    )
    assert packs == [(1,)]
    assert by_sql(ledger.path, "SELECT count(*) FROM readings") == [(900,)]
    ledger.close(NOW)
    verify(ledger.path)


def test_what_comes_late_into_ten_minutes_that_are_over_joins_them(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "water.db", NOW)
    ledger.commit([rows(WINDOW + s * 1000, (7.0, 0)) for s in range(0, 1500, 10)])
    for _ in range(9):
        ledger.commit([])
    ledger.commit([rows(WINDOW + 5000, (8.0, 0)), rows(WINDOW + 10_000, (8.5, 0))])
    for _ in range(9):
        ledger.commit([])
    with Records.open(ledger.path) as records:
        told = [(r.stamp.at_ms - WINDOW, r.values["ph"]) for r in records.readings()][:4]
    ledger.close(NOW)
    assert told == [(0, 7.0), (5000, 8.0), (10_000, 7.0), (10_001, 8.5)]
    verify(ledger.path)


def test_a_store_from_before_packs_keeps_its_readings_beside_new_ones(tmp_path: Path) -> None:
    path = tmp_path / "water.db"
    old = Ledger(path, NOW, STEPS[:6])
    old.commit([rows(WINDOW + s * 1000, (7.0 + s / 100, 0)) for s in range(100)])
    old.close(NOW)
    new = Ledger(path, NOW)
    new.commit([rows(WINDOW + s * 1000, (7.0 + s / 100, 0)) for s in range(100, 200)])
    new.close(NOW)
    with Records.open(path) as records:
        told = [reading.values["ph"] for reading in records.readings()]
        span = records.span("kitchen", "ph", since_ms=WINDOW, until_ms=WINDOW + 180_000)
        (last,) = records.latest()
    assert told == [7.0 + s / 100 for s in range(200)]
    assert sum(point.n for point in span.points) == 180
    assert last.value == 7.0 + 199 / 100
    assert by_sql(path, "SELECT count(*) FROM single_readings") == [(100,)]
    verify(path)


def test_windows_skip_what_holds_nothing(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "water.db", NOW)
    for at_ms in (WINDOW + 5, WINDOW + 100 * WINDOW_MS + 7):
        ledger.commit([rows(at_ms, (7.0, 0))])
    ledger.commit([rows(WINDOW + 300 * WINDOW_MS, (math.pi, 0))])  # no decimal of the display
    with closing(sqlite3.connect(ledger.path)) as connection:
        execute = connection.execute
        spans = list(windows(execute, 0, 2**52))
        assert oldest_ms(execute) == WINDOW + 5
        assert newest_ms(execute) == WINDOW + 300 * WINDOW_MS
    ledger.close(NOW)
    assert [begin for begin, _ in spans] == [
        WINDOW,
        WINDOW + 100 * WINDOW_MS,
        WINDOW + 300 * WINDOW_MS,
    ]


def test_a_store_of_version_9_is_brought_up_and_a_copy_of_it_still_examined(
    tmp_path: Path,
) -> None:
    path = tmp_path / "water.db"
    old = Ledger(path, NOW, STEPS[:8])
    old.commit([rows(WINDOW + s * 1000, (7.0, 0)) for s in range(100)])
    old.close(NOW)
    assert verify(path)[-1].startswith("100 values")
    new = Ledger(path, NOW)
    new.commit([rows(WINDOW + s * 1000, (7.0, 0)) for s in range(100, 200)])
    assert by_sql(path, "SELECT count(*) FROM readings") == [(200,)]
    new.close(NOW)
    assert verify(path)[-1].startswith("200 values")
    assert verify(path.with_name("water.db.v9.backup"))[-1].startswith("100 values")
