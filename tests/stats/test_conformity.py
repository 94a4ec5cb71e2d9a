"""Inside, outside, cannot tell: JCGM 106 with the expanded uncertainty as guard band."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import WaterError
from acquire.stats.conformity import compare_with_expected, conformity

values = st.floats(0, 14)


@pytest.mark.parametrize(
    ("value", "u", "place"),
    [
        (7.0, 0.1, "inside"),
        (6.6, 0.1, "inside"),
        (6.55, 0.1, "cannot tell"),
        (6.45, 0.1, "cannot tell"),
        (6.35, 0.1, "outside"),
        (8.5, 0.0, "inside"),
        (8.51, 0.0, "outside"),
        (7.5, 2.0, "cannot tell"),
    ],
)
def test_a_verdict_is_given_only_beyond_the_guard_band(value, u, place):
    found = conformity(value, u, lower=6.5, upper=8.5)
    assert found.place == place
    assert "6.5 to 8.5" in found.reason


@given(values, st.floats(0.001, 1), st.floats(1, 7), st.floats(7, 13))
def test_a_verdict_is_wrong_in_at_most_two_and_a_half_percent(value, u, lower, upper):
    found = conformity(value, u, lower=lower, upper=upper, k=1.959964)
    if found.place == "inside":
        assert found.probability >= 0.95 - 1e-6
    if found.place == "outside":
        assert found.probability <= 0.0251


@given(values, st.floats(0, 1), st.floats(1, 13))
def test_more_uncertainty_never_turns_inside_into_outside(value, u, upper):
    places = {conformity(value, width, upper=upper).place for width in (u, 2 * u, 10 * u)}
    assert not {"inside", "outside"} <= places


def test_one_sided_limits_and_their_words():
    assert "at most 500" in conformity(400, 10, upper=500).reason
    assert "at least 650" in conformity(400, 10, lower=650).reason
    assert conformity(400, 10, lower=650).place == "outside"


def test_a_probe_within_what_is_allowed_passes_one_beyond_fails():
    passed = compare_with_expected(7.01, 0.02, 7.0, 0.02, allowed=0.1)
    failed = compare_with_expected(7.31, 0.02, 7.0, 0.02, allowed=0.1)
    assert passed.verdict == "pass"
    assert passed.expanded_u == pytest.approx(math.hypot(0.02, 0.02))
    assert failed.verdict == "fail"
    assert "+0.31" in failed.reason


def test_a_solution_less_sure_than_what_is_allowed_cannot_tell_and_says_why():
    found = compare_with_expected(8.1, 0.02, 8.0, 0.3, allowed=0.1)
    assert found.verdict == "cannot tell"
    assert "less sure than what is allowed" in found.reason


def test_a_probe_far_off_fails_even_in_a_kitchen_solution():
    assert compare_with_expected(9.0, 0.02, 8.0, 0.3, allowed=0.1).verdict == "fail"


def test_what_cannot_be_judged_is_refused():
    with pytest.raises(WaterError, match="at least one limit"):
        conformity(7, 0.1)
    with pytest.raises(WaterError, match="above the upper"):
        conformity(7, 0.1, lower=9, upper=8)
    for bad in (None, math.nan):
        with pytest.raises(WaterError):
            conformity(bad, 0.1, upper=8)
        with pytest.raises(WaterError):
            compare_with_expected(7.0, bad, 7.0, 0.02, allowed=0.1)
    with pytest.raises(WaterError):
        conformity(7, -0.1, upper=8)
