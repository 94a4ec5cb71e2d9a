"""Minutes, hours and days made of readings."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterator
from contextlib import closing, suppress
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from acquire.errors import StoreError
from acquire.readings import Stamp
from acquire.store.ledger import Ledger
from acquire.store.rollups import LEVELS, Retention
from acquire.store.rows import ReadingRows
from acquire.store.tally import Tally

START_MS = 1_790_000_000_000
DAY_S = 86_400


def reading(at_s: float, value: float | None, quantity: str = "ph", flag: int = 0) -> ReadingRows:
    at_ms = START_MS + round(at_s * 1000)
    return ReadingRows("kitchen", Stamp(at_ms, at_ms * 1_000_000), ((quantity, value, flag),))


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    opened = Ledger(tmp_path / "water.db", Stamp(START_MS, START_MS * 1_000_000))
    yield opened
    opened.close(Stamp(START_MS, START_MS * 1_000_000))


def rows_of(path: Path, query: str) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
        return connection.execute(query).fetchall()


def recomputed(
    path: Path, length_ms: int, through_ms: int
) -> dict[tuple[int, int], tuple[Any, ...]]:
    """All of it from the raw readings, another way: fractions, sorted, summed once."""
    groups: dict[tuple[int, int], list[tuple[int, float]]] = {}
    for at_ms, series, value in rows_of(
        path, "SELECT at_ms, series, value FROM readings WHERE flag = 0 AND value IS NOT NULL"
    ):
        if at_ms < through_ms:
            groups.setdefault((at_ms - at_ms % length_ms, series), []).append((at_ms, value))
    found = {}
    for key, values in groups.items():
        values.sort()
        numbers = [value for _, value in values]
        found[key] = (
            len(numbers),
            min(numbers),
            max(numbers),
            *values[0],
            *values[-1],
            nearest(sum(map(Fraction, numbers))),
            nearest(sum(Fraction(number) ** 2 for number in numbers)),
        )
    return found


def nearest(exact: Fraction | int) -> float | None:
    try:
        return float(exact)
    except OverflowError:
        return None


def held(path: Path, table: str) -> dict[tuple[int, int], tuple[Any, ...]]:
    return {
        (start, series): tuple(row)
        for start, series, *row in rows_of(
            path,
            "SELECT start_ms, series, n, low, high, first_ms, first, last_ms, last, total, "
            f"squares FROM {table}",
        )
    }


values = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False),
    st.sampled_from([7.01, 512.3, 1e16, -1e16, 1.0, 0.1, 5e-324, 1e200]),
)
arrivals = st.lists(
    st.tuples(
        st.one_of(
            st.floats(0, 3 * DAY_S),
            st.floats(0, 300),
            st.sampled_from([0.0, 60.0, 59.999, 3600.0, 86_400.0, 90_000.0]),
        ),
        values,
        st.sampled_from(["ph", "orp"]),
        st.sampled_from([0, 0, 0, 3]),
    ),
    min_size=1,
    max_size=60,
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(arrivals, st.integers(1, 9), st.booleans())
def test_roll_ups_equal_a_recomputation_from_raw_to_the_last_digit(
    tmp_path_factory: pytest.TempPathFactory,
    said: list[tuple[float, float, str, int]],
    batch: int,
    restarts: bool,
) -> None:
    path = tmp_path_factory.mktemp("rolled") / "water.db"
    now = Stamp(START_MS, START_MS * 1_000_000)
    ledger = Ledger(path, now)
    for start in range(0, len(said), batch):
        ledger.commit([reading(*one) for one in said[start : start + batch]])
        if restarts and start % 3 == 0:
            ledger.close(now)
            ledger = Ledger(path, now)
    for _ in range(20):
        ledger.commit([])
    ledger.close(now)
    through = dict(rows_of(path, "SELECT level, through_ms FROM rolled"))
    assert sum(n for (n,) in rows_of(path, "SELECT count(*) FROM readings")) == len(said)
    newest = max(at for (at,) in rows_of(path, "SELECT at_ms FROM readings"))
    assert through["minutes"] == newest - newest % 60_000
    for level in LEVELS:
        assert held(path, level.table) == recomputed(path, level.length_ms, through[level.table])


@given(st.lists(values, max_size=30), st.integers(0, 30))
def test_a_tally_merged_of_parts_is_the_tally_of_all_and_outlives_its_row(
    numbers: list[float], cut: int
) -> None:
    whole, left, right = Tally(), Tally(), Tally()
    for at_ms, number in enumerate(numbers):
        whole.add(at_ms, number)
        (left if at_ms < cut else right).add(at_ms, number)
    right.merge(left)
    if numbers:
        assert Tally.of(right.row()).row() == whole.row()
        with suppress(OverflowError):  # fsum gives up where a part of the sum is too large
            assert whole.row()[7] == math.fsum(numbers)  # the standard library's exact sum


def test_flagged_values_and_gaps_make_no_rows(ledger: Ledger) -> None:
    ledger.commit([reading(0, 7.0), reading(1, None, flag=1), reading(70, 99.0, flag=3)])
    ledger.commit([reading(200, 7.5)])
    assert [row[0] for row in held(ledger.path, "minutes").values()] == [1]


def test_what_a_failed_commit_took_along_is_counted_once(ledger: Ledger) -> None:
    ledger.commit([reading(0, 7.0), reading(61, 7.0)])
    poison = ReadingRows("kitchen", Stamp(START_MS, 1), (("ph", math.inf, 0),))
    with pytest.raises(StoreError):
        ledger.commit([reading(2, 8.0), poison])
    ledger.commit([reading(2, 8.0)])
    ledger.commit([])  # what the tail holds counts once a transaction has taken it
    assert [row[0] for row in held(ledger.path, "minutes").values()] == [2]


def test_old_readings_expire_in_slices_and_their_roll_ups_stay(tmp_path: Path) -> None:
    now = Stamp(START_MS, START_MS * 1_000_000)
    ledger = Ledger(tmp_path / "water.db", now, retention=Retention(raw_days=2, minute_days=3))
    for day in range(6):
        ledger.commit([reading(day * DAY_S + second, 7.0) for second in range(0, DAY_S, 20)])
        for _ in range(30):
            ledger.commit([])
    path = ledger.path
    days = len({at // 86_400_000 for (at,) in rows_of(path, "SELECT at_ms FROM readings")})
    minutes = len({at // 86_400_000 for (at,) in rows_of(path, "SELECT start_ms FROM minutes")})
    ledger.close(now)
    assert days == 3  # two whole ones and the day that goes on
    assert minutes == 4
    assert sum(row[0] for row in held(path, "days").values()) > 5 * DAY_S / 20 - 1
    assert len({key[0] // 86_400_000 for key in held(path, "hours")}) >= 6


def test_a_clock_that_jumps_years_ahead_deletes_one_day_and_not_all(tmp_path: Path) -> None:
    now = Stamp(START_MS, START_MS * 1_000_000)
    ledger = Ledger(tmp_path / "water.db", now, retention=Retention(raw_days=3))
    for day in range(3):
        ledger.commit([reading(day * DAY_S + hour * 3600, 7.0) for hour in range(24)])
    ledger.commit([reading(20 * 365 * DAY_S, 7.0)])
    for hour in range(24):  # set right again: what comes now is late to every level
        ledger.commit([reading(3 * DAY_S + hour * 3600, 7.0)])
    left = len(rows_of(ledger.path, "SELECT 1 FROM readings"))
    for _ in range(6):
        ledger.commit([])
    through = dict(rows_of(ledger.path, "SELECT level, through_ms FROM rolled"))
    rolled = sum(row[0] for row in held(ledger.path, "days").values())
    ledger.close(now)
    assert left >= 49
    assert through["days"] > START_MS + 19 * 365 * 86_400_000
    assert rolled == 96
