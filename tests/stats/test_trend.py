"""Theil-Sen against the reference library, and against outliers."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import WaterError
from acquire.stats.trend import theil_sen


@given(st.integers(5, 40), st.integers(0, 10_000), st.booleans())
def test_slope_and_interval_are_those_of_the_library(n, seed, ties):
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(0, 100, n))
    y = 0.3 * x + rng.normal(0, 4, n)
    if ties:
        y = np.round(y / 5) * 5
    expected = scipy.stats.theilslopes(y, x, alpha=0.95)
    found = theil_sen(x.tolist(), y.tolist())
    assert found.slope == pytest.approx(expected.slope, abs=1e-9)
    assert found.intercept == pytest.approx(expected.intercept, abs=1e-7)
    if math.isfinite(found.low) and math.isfinite(found.high):
        assert found.low == pytest.approx(expected.low_slope, abs=1e-9)
        assert found.high == pytest.approx(expected.high_slope, abs=1e-9)


def test_the_example_of_sen_is_met():
    # Sen 1968: slope 4, 93 % interval 26/7 to 35/8 (from memory).
    x, y = [1, 2, 3, 4, 10, 12, 18], [9, 15, 19, 20, 45, 55, 78]
    found = theil_sen(x, y, level=0.93)
    assert found.slope == pytest.approx(4.0)
    assert (found.low, found.high) == pytest.approx((26 / 7, 35 / 8))


def test_a_quarter_of_wild_points_does_not_move_the_slope():
    x = list(range(40))
    y = [2.0 * t for t in x]
    for wild in range(0, 40, 4):
        y[wild] = 500.0
    assert theil_sen(x, y).slope == pytest.approx(2.0, abs=0.3)


def test_the_interval_covers_the_true_slope_as_often_as_it_says():
    rng = np.random.default_rng(7)
    x = list(range(20))
    hits = 0
    for _ in range(400):
        found = theil_sen(x, (0.1 * np.arange(20) + rng.normal(0, 1, 20)).tolist())
        hits += found.low <= 0.1 <= found.high
    assert hits / 400 == pytest.approx(0.95, abs=0.03)


def test_no_trend_is_not_significant_and_a_steady_one_is():
    rng = np.random.default_rng(3)
    flat = rng.normal(0, 1, 30).tolist()
    assert theil_sen(range(30), flat).p_value > 0.05
    assert theil_sen(range(30), list(range(30))).p_value < 1e-6
    assert theil_sen(range(5), [1.0] * 5).p_value == 1.0


def test_three_points_bound_nothing():
    found = theil_sen([1, 2, 3], [1, 2, 3])
    assert found.low == -math.inf or found.high == math.inf or found.low == found.high == 1


def test_what_has_no_trend_is_refused():
    with pytest.raises(WaterError, match="3 to"):
        theil_sen([1, 2], [1, 2])
    with pytest.raises(WaterError, match="two different x"):
        theil_sen([1, 1, 1], [1, 2, 3])
    with pytest.raises(WaterError, match="as many y as x"):
        theil_sen([1, 2, 3], [1, 2])
    with pytest.raises(WaterError, match="finite"):
        theil_sen([1, 2, 3], [1, math.nan, 3])
    with pytest.raises(WaterError, match="level"):
        theil_sen([1, 2, 3], [1, 2, 3], level=2)
