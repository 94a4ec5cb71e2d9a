"""A span of time as points for a chart."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from acquire.readings import Stamp
from acquire.store.ledger import Ledger
from acquire.store.records import Records
from acquire.store.rollups import Retention
from acquire.store.rows import ReadingRows

START_MS = 1_790_000_000_000
DAY_MS = 86_400_000
NOW = Stamp(START_MS, 0)


def reading(at_ms: int, value: float) -> ReadingRows:
    return ReadingRows("kitchen", Stamp(at_ms, at_ms * 1_000_000), (("ph", value, 0),))


@pytest.fixture(scope="module")
def month(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Records]:
    """Forty days, a reading a minute, a gap on the tenth day."""
    path = tmp_path_factory.mktemp("month") / "water.db"
    ledger = Ledger(path, NOW)
    for day in range(40):
        if day != 10:
            first = START_MS + day * DAY_MS
            ledger.commit([reading(first + m * 60_000, 7.0 + day / 100) for m in range(1440)])
    for _ in range(5):
        ledger.commit([])
    ledger.close(NOW)
    with Records.open(path) as records:
        yield records


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow], deadline=None
)
@given(st.integers(0, 39 * DAY_MS), st.integers(1, 40 * DAY_MS), st.integers(1, 1000))
def test_any_span_gives_no_more_points_than_asked_and_only_its_own_values(
    month: Records, begin: int, length: int, most: int
) -> None:
    since = START_MS + begin
    span = month.span("kitchen", "ph", since_ms=since, until_ms=since + length, most=most)
    assert len(span.points) <= most
    starts = [point.start_ms for point in span.points]
    assert starts == sorted(set(starts))
    for point in span.points:
        assert point.end_ms - point.start_ms == span.width_ms
        assert point.low <= point.mean * (1 + 1e-12)
        assert point.mean <= point.high * (1 + 1e-12)


def test_every_value_is_in_the_points_also_those_not_rolled_up_yet(month: Records) -> None:
    for since, until in ((0, 40), (3, 9), (30, 40)):
        span = month.span(
            "kitchen",
            "ph",
            since_ms=START_MS + since * DAY_MS,
            until_ms=START_MS + until * DAY_MS,
        )
        # Whole hours: where the span is cut, what shares the first hour counts too.
        assert (
            sum(point.n for point in span.points) >= (until - since - (since <= 10 < until)) * 1440
        )
        assert sum(point.n for point in span.points) < (until - since) * 1440 + 60


def test_a_gap_has_no_points(month: Records) -> None:
    span = month.span(
        "kitchen", "ph", since_ms=START_MS + 9 * DAY_MS, until_ms=START_MS + 12 * DAY_MS
    )
    inside = [
        point
        for point in span.points
        if START_MS + 10 * DAY_MS
        < point.start_ms
        < START_MS + 11 * DAY_MS - point.end_ms + point.start_ms
    ]
    assert span.points
    assert not inside


def test_a_meter_nobody_knows_has_no_points(month: Records) -> None:
    assert month.span("cellar", "ph", since_ms=START_MS).points == ()


def test_a_short_span_whose_readings_expired_is_drawn_from_minutes(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    path = tmp_path_factory.mktemp("short") / "water.db"
    ledger = Ledger(path, NOW, retention=Retention(raw_days=1))
    for day in range(5):
        first = START_MS + day * DAY_MS
        ledger.commit([reading(first + m * 20_000, 7.0) for m in range(4320)])
        for _ in range(30):
            ledger.commit([])
    ledger.close(NOW)
    with Records.open(path) as records:
        old = records.span("kitchen", "ph", since_ms=START_MS, until_ms=START_MS + 1_200_000)
        last = START_MS + 5 * DAY_MS
        new = records.span("kitchen", "ph", since_ms=last - 1_200_000, until_ms=last)
    assert old.width_ms == 60_000
    assert sum(point.n for point in old.points) in {60, 61, 62, 63}
    assert new.width_ms < 20_000
