"""Draws, faults, changes and forecasts of a filter, on waters written down by hand."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import WaterError
from acquire.watch.draws import Draw, DrawFollower, Moment
from acquire.watch.forecast import LEAST_DAYS, Day, forecast
from acquire.watch.judge import Change, Judge, Limits
from acquire.watch.performance import performance

FEED = 400.0
HOUR_MS = 3_600_000


def draw(n: int, value: float | None = 20.0, **other: object) -> Draw:
    """One ordinary draw, four hours after the one before."""
    said = Draw(
        started_ms=n * 4 * HOUR_MS,
        ended_ms=n * 4 * HOUR_MS + 90_000,
        stood_s=4 * 3600.0,
        litres=2.0,
        value=value,
        u=0.2,
        temp_c=14.0,
        peak=30.0 if value is None else 1.5 * value,
        middle=value,
        n=19,
        flagged=0,
        distinct=12,
        scatter=0.005,
        temp_jump=0.2,
    )
    return replace(said, **other)  # type: ignore[arg-type]


def usual(judge: Judge, count: int = 60, level: float = 20.0) -> Iterator[Change]:
    chance = random.Random(3)
    for n in range(count):
        yield from judge.update(draw(n, level * math.exp(chance.gauss(0, 0.03))), FEED, 4.0).changes


@pytest.fixture
def judge() -> Judge:
    settled = Judge(Limits(passage=0.15))
    assert not list(usual(settled))
    return settled


def kinds(changes: tuple[Change, ...]) -> list[tuple[str, bool]]:
    return [(change.kind, change.is_on) for change in changes]


# -- performance ----------------------------------------------------------------------------


def test_rejection_and_passage_carry_the_uncertainty_of_both_waters() -> None:
    # Worked by hand: 25/500 = 5 %; relative u = sqrt(0.01^2 + 0.02^2) = 2.236 %.
    said = performance(500.0, 5.0, 25.0, 0.5, temp_c=15.0)
    assert said.passage == pytest.approx(0.05)
    assert said.rejection_percent == pytest.approx(95.0)
    assert said.passage_u == pytest.approx(0.05 * 0.02236, rel=1e-3)
    assert said.passage_25 is not None
    assert said.passage_25_u is not None
    assert said.passage_25 == pytest.approx(0.05 * math.exp(0.12))
    assert said.passage_25_u / said.passage_25 > 0.06  # the coefficient's own, ten degrees away
    assert said.product_tds == pytest.approx(12.5, rel=0.05)
    assert "k" in said.tds_method


def test_a_product_above_its_feed_has_a_negative_rejection() -> None:
    assert performance(100.0, 1.0, 120.0, 1.0).rejection_percent == pytest.approx(-20.0)


@pytest.mark.parametrize(("feed", "product"), [(0.0, 1.0), (100.0, 0.0), (math.nan, 1.0)])
def test_no_performance_is_made_of_nothing(feed: float, product: float) -> None:
    with pytest.raises(WaterError):
        performance(feed, 1.0, product, 1.0)


# -- draws ----------------------------------------------------------------------------------


def tap(*, flow: bool, at_s: float = 0.0, length_s: int = 120) -> Iterator[Moment]:
    """A minute of standing, a draw whose first water holds three times as much, standing."""
    for s in range(-60, length_s + 60, 2):
        runs = 0 <= s < length_s
        ec = 20.0 * (1 + 2 * math.exp(-max(s, 0) / 10)) if s >= 0 else 45.0
        yield Moment(
            at_s + s,
            round((at_s + s) * 1000) + 10**9,
            round(ec, 1),
            14.0 if s >= 0 else 20.0,
            (1.5 if runs else 0.0) if flow else None,
        )


@pytest.mark.parametrize("flow", [True, False])
def test_a_draw_gives_its_settled_value_and_its_first_peak_apart(flow: bool) -> None:
    follower = DrawFollower(resolution=0.1, has_flow=flow)
    found = [one for moment in tap(flow=flow) if (one := follower.update(moment))]
    assert len(found) == 1
    (said,) = found
    assert said.value == pytest.approx(20.0, abs=0.6)
    assert said.peak is not None
    assert said.peak > 45.0
    assert said.temp_c == 14.0
    assert (said.litres is not None) is flow
    if said.litres is not None:
        assert said.litres == pytest.approx(3.0, rel=0.05)


def test_standing_water_that_warms_slowly_is_no_draw() -> None:
    follower = DrawFollower(has_flow=False)
    for s in range(0, 7200, 5):
        moment = Moment(float(s), s * 1000, 20.0 + s / 1000, 12.0 + 8 * (1 - math.exp(-s / 5000)))
        assert follower.update(moment) is None


def test_a_glass_is_too_short_to_tell_anything() -> None:
    follower = DrawFollower(has_flow=True)
    found = [m for one in tap(flow=True, length_s=14) if (m := follower.update(one))]
    assert [one.value for one in found] == [None]
    assert "too short" in found[0].reason


def test_a_gap_ends_a_draw_and_a_new_run_begins_anew() -> None:
    follower = DrawFollower(has_flow=True)
    moments = list(tap(flow=True))[:60]
    assert not [one for moment in moments if (one := follower.update(moment))]
    later = Moment(5.0, moments[-1].at_ms + 60_000, 20.0, 14.0, 0.0, is_new_run=True)
    ended = follower.update(later)
    assert ended is not None
    # What was held is gone: nothing of it ends a second time.
    for n in range(1, 60):
        still = replace(later, t_s=5.0 + n, at_ms=later.at_ms + 1000 * n, is_new_run=False)
        assert follower.update(still) is None


@given(
    st.lists(
        st.tuples(
            st.floats(0, 400),
            st.none() | st.floats(0, 1e5),
            st.none() | st.floats(-60, 120),
            st.none() | st.floats(0, 20),
        ),
        max_size=60,
    ),
    st.booleans(),
)
def test_any_stream_is_cut_without_a_fault(
    steps: list[tuple[float, float | None, float | None, float | None]], flow: bool
) -> None:
    follower, judge, t = DrawFollower(has_flow=flow), Judge(Limits(passage=0.1)), 0.0
    for step, ec, temp, litres in steps:
        t += step
        ended = follower.update(Moment(t, round(t * 1000), ec, temp, litres))
        if ended is not None:
            assert ended.started_ms <= ended.ended_ms
            assert ended.flagged <= ended.n
            judge.update(ended, FEED, 4.0)


# -- the water ------------------------------------------------------------------------------


def test_a_doubled_passage_is_a_breakthrough_by_the_third_draw_told_once(judge: Judge) -> None:
    said = [judge.update(draw(100 + n, 40.0), FEED, 4.0).changes for n in range(6)]
    told = [kind for changes in said for kind in kinds(changes) if kind[0] == "breakthrough"]
    assert told == [("breakthrough", True)]
    assert any(kinds(changes) for changes in said[:3])


def test_one_draw_out_of_line_is_no_alarm(judge: Judge) -> None:
    assert judge.update(draw(100, 45.0), FEED, 4.0).changes == ()
    for n in range(8):
        assert judge.update(draw(101 + n, 20.0), FEED, 4.0).changes == ()


def test_a_feed_that_doubles_with_the_product_is_no_change_of_the_filter(judge: Judge) -> None:
    for n in range(20):
        assert judge.update(draw(100 + n, 40.0), 2 * FEED, 8.0).changes == ()


def test_the_first_draw_after_days_of_standing_is_not_held_against_the_filter(
    judge: Judge,
) -> None:
    for n in range(4):
        said = judge.update(draw(100 + n, 45.0, stood_s=9 * 86_400.0), FEED, 4.0)
        assert said.changes == ()
        assert said.performance is not None


def test_a_slow_rise_is_told_at_the_limit_and_cleared_with_the_cartridge(judge: Judge) -> None:
    told: list[float] = []
    for n in range(400):
        level = 20.0 * math.exp(n / 250)
        for kind in kinds(judge.update(draw(100 + n, level), FEED, 4.0).changes):
            assert kind == ("exhausted", True)
            told.append(level / FEED)
    assert len(told) == 1
    assert 0.145 < told[0] < 0.165
    assert judge.standing().is_rising
    assert kinds(judge.changed()) == [("exhausted", False)]
    assert judge.standing().baseline is None


def test_a_limit_on_the_product_counts_like_one_on_the_rejection() -> None:
    judge = Judge(Limits(product=30.0))
    assert not list(usual(judge))
    told = [
        k for n in range(60) for k in kinds(judge.update(draw(n, 29 + n / 10), FEED, 4).changes)
    ]
    assert ("exhausted", True) in told


# -- the probe ------------------------------------------------------------------------------

FAULTS: dict[str, dict[str, Any]] = {
    "open_circuit": {"value": None, "peak": None, "flagged": 19, "distinct": 0, "middle": None},
    "air": {"value": 6.0, "peak": 14.0, "middle": 6.0, "scatter": 0.3},
    "temperature": {"temp_c": 85.0, "value": 8.0},
    "stuck": {"value": 41.7, "peak": 41.7, "distinct": 1, "scatter": 0.0},
}


@pytest.mark.parametrize("kind", sorted(FAULTS))
def test_a_fault_of_the_probe_is_named_with_evidence_and_is_no_change_of_the_water(
    judge: Judge, kind: str
) -> None:
    told = []
    for n in range(12):
        said = judge.update(draw(100 + n, **FAULTS[kind]), FEED, 4.0)
        assert said.performance is None
        told += [change for change in said.changes if change.is_on]
    assert [change.kind for change in told] == [kind]
    assert len(told[0].text) > 20
    cleared = [k for n in range(8) for k in kinds(judge.update(draw(120 + n), FEED, 4.0).changes)]
    assert cleared == [(kind, False)]


def test_a_probe_that_reads_lower_and_lower_is_fouled_and_the_filter_not_better(
    judge: Judge,
) -> None:
    told = [
        kind
        for n in range(300)
        for kind in kinds(judge.update(draw(100 + n, 20.0 * math.exp(-n / 600)), FEED, 4.0).changes)
    ]
    assert told == [("fouling", True)]


# -- the forecast ---------------------------------------------------------------------------


def days(count: int, slope: float, start: float = -1.0, noise: float = 0.02) -> list[Day]:
    chance = random.Random(5)
    return [
        Day(n + 0.5, 10.0 * (n + 0.5), start + slope * n + chance.gauss(0, noise), 14.0)
        for n in range(count)
    ]


def test_too_little_data_is_no_forecast() -> None:
    said = forecast(days(LEAST_DAYS - 1, 0.02))
    assert said.days is None
    assert "too little" in said.refusal


def test_without_a_trend_nothing_is_foretold() -> None:
    assert forecast(days(90, 0.0)).refusal == "there is no trend yet"
    assert forecast(days(90, -0.004)).days is None


def test_a_straight_rise_is_foretold_with_an_interval_around_its_end() -> None:
    said = forecast(days(60, 0.01))
    assert said.low_days is not None
    assert said.days is not None
    assert said.high_days is not None
    assert said.low_days < 40 < said.high_days
    assert said.days == pytest.approx(40, rel=0.3)
    assert said.litres == pytest.approx(10 * said.days, rel=0.05)
    assert said == forecast(days(60, 0.01))


def test_a_limit_that_is_reached_is_not_foretold() -> None:
    assert forecast(days(120, 0.01)).refusal == "the limit is reached"
