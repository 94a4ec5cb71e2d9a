"""Counts are small whole numbers, and zero is not none."""

from __future__ import annotations

import math

import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import WaterError
from acquire.stats.counts import (
    critical_level,
    detection_limit,
    poisson_interval,
    poisson_upper,
    rate_ratio,
)


@given(st.integers(0, 3000), st.sampled_from([0.9, 0.95, 0.99]))
def test_the_exact_interval_leaves_half_the_risk_in_each_tail(count, level):
    low, high = poisson_interval(count, level=level)
    half = (1 - level) / 2
    assert scipy.stats.poisson.cdf(count, high) == pytest.approx(half, rel=1e-6)
    if count:
        assert scipy.stats.poisson.sf(count - 1, low) == pytest.approx(half, rel=1e-6)
    else:
        assert low == 0


@given(st.integers(0, 500))
def test_one_sided_bounds_are_tighter_than_two_sided(count):
    assert poisson_upper(count) < poisson_interval(count)[1]


@given(st.integers(0, 200), st.integers(0, 200), st.floats(0.2, 5))
def test_the_comparison_of_rates_is_the_exact_binomial_test(a, b, exposure):
    found = rate_ratio(a, exposure, b, 1.0)
    share = exposure / (1 + exposure)
    if a + b == 0:
        assert math.isnan(found.value)
        assert found.p_value == 1
        return
    tails = [
        scipy.stats.binomtest(a, a + b, share, alternative=side).pvalue
        for side in ("less", "greater")
    ]
    assert found.p_value == pytest.approx(min(1, 2 * min(tails)), rel=1e-6)
    exact = scipy.stats.binomtest(a, a + b).proportion_ci(method="exact")
    assert found.low * share / (1 - share) == pytest.approx(exact.low / (1 - exact.low), rel=1e-6)


@given(st.integers(1, 100), st.integers(1, 100), st.floats(0.2, 5))
def test_swapping_the_two_counts_turns_the_ratio_over(a, b, exposure):
    there, back = rate_ratio(a, exposure, b, 1.0), rate_ratio(b, 1.0, a, exposure)
    assert there.value == pytest.approx(1 / back.value)
    assert there.low == pytest.approx(1 / back.high, rel=1e-6)
    assert there.p_value == pytest.approx(back.p_value, rel=1e-6)


def test_nothing_against_something_is_a_finite_bound_on_one_side():
    found = rate_ratio(5, 1, 0, 1)
    assert found.value == math.inf
    assert found.high == math.inf
    assert found.low > 0.9


def test_levels_other_than_currie_s_follow_the_normal_law():
    assert critical_level(9, level=0.99) == pytest.approx(2.326348 * math.sqrt(18), rel=1e-6)
    assert critical_level(9, level=0.9500001) == pytest.approx(critical_level(9), rel=3e-3)
    assert detection_limit(0) == 2.71
    assert detection_limit(9, level=0.99) > detection_limit(9)


def test_what_is_no_count_is_refused():
    for bad in (-1, 2.5, math.nan, None):
        with pytest.raises(WaterError):
            poisson_interval(bad)
    with pytest.raises(WaterError, match="level of confidence"):
        poisson_interval(5, level=95)
    with pytest.raises(WaterError, match="exposure"):
        rate_ratio(1, 0, 1, 1)
