"""Two values side by side."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from acquire.errors import WaterError
from acquire.stats.compare import difference_of, duplicate_sd, fieller, rpd_percent


@given(st.floats(0.001, 1e6), st.floats(0.001, 1e6))
def test_the_relative_difference_is_even_and_at_most_200(a, b):
    assert rpd_percent(a, b) == pytest.approx(rpd_percent(b, a))
    assert 0 <= rpd_percent(a, b) <= 200


def test_a_relative_difference_on_ph_would_mislead():
    # The same factor of ten in acidity: 29 % at pH 3, 12 % at pH 8 (methods of this project).
    assert rpd_percent(3, 4) == pytest.approx(28.6, abs=0.1)
    assert rpd_percent(8, 9) == pytest.approx(11.8, abs=0.1)
    assert difference_of(3, 4) == difference_of(8, 9) == 1


@given(st.floats(-100, 100), st.floats(0.1, 5), st.floats(5, 500), st.floats(0.01, 1))
def test_the_ends_of_fiellers_interval_are_just_compatible(a, u_a, b, u_b):
    found = fieller(a, u_a, b, u_b)
    assume(found.bounded)
    for end in (found.low, found.high):
        assert abs(a - end * b) == pytest.approx(1.959964 * math.hypot(u_a, end * u_b), rel=1e-5)
    assert found.low <= found.value <= found.high


def test_a_denominator_that_may_be_zero_gives_no_bound():
    found = fieller(12, 0.8, 5, 3.0)
    assert not found.bounded
    assert (found.low, found.high) == (-math.inf, math.inf)
    assert "not told from zero" in found.reason


def test_without_uncertainty_the_interval_is_the_ratio():
    found = fieller(12, 0, 342, 0)
    assert found.low == found.high == pytest.approx(12 / 342)


def test_covers_the_true_ratio_as_often_as_it_says():
    import numpy as np

    rng = np.random.default_rng(5)
    hits = 0
    for a, b in zip(rng.normal(12, 2, 2000), rng.normal(60, 8, 2000), strict=True):
        found = fieller(a, 2, b, 8)
        hits += found.low <= 0.2 <= found.high
    assert hits / 2000 == pytest.approx(0.95, abs=0.015)


def test_what_is_not_defined_is_refused():
    with pytest.raises(WaterError, match="two zeros"):
        rpd_percent(0, 0)
    with pytest.raises(WaterError, match="denominator is zero"):
        fieller(1, 1, 0, 1)
    for bad in (math.nan, None, -1.0):
        with pytest.raises(WaterError):
            rpd_percent(bad, 5)
    with pytest.raises(WaterError):
        duplicate_sd(None, 5)
    with pytest.raises(WaterError):
        fieller(1, -1, 5, 1)


@given(
    st.floats(1, 100),
    st.floats(0.01, 0.3),
    st.floats(1, 100),
    st.floats(0.01, 0.3),
    st.floats(-0.95, 0.95),
)
def test_a_shared_error_moves_both_ends_to_where_the_definition_has_them(a, ra, b, rb, correlation):
    u_a, u_b = ra * a, rb * b
    covariance = correlation * u_a * u_b
    found = fieller(a, u_a, b, u_b, covariance=covariance, z=1.96)
    for end in (found.low, found.high):  # the definition itself: |a - r b| = z u(a - r b)
        spread = u_a**2 - 2 * end * covariance + end**2 * u_b**2
        assert abs(a - end * b) == pytest.approx(1.96 * math.sqrt(spread), rel=1e-6, abs=1e-9)
    assert found.low <= found.value <= found.high


def test_an_error_wholly_in_common_cancels_in_a_ratio():
    found = fieller(50.0, 5.0, 10.0, 1.0, covariance=5.0, z=2.0)
    assert (found.low, found.high) == pytest.approx((5.0, 5.0))
    with pytest.raises(WaterError):
        fieller(50.0, 5.0, 10.0, 1.0, covariance=6.0)
