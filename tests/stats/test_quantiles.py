"""Quantiles of our own against the library that is too heavy for a small board (scipy)."""

from __future__ import annotations

import pytest
import scipy.special
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import WaterError
from acquire.stats.quantiles import (
    beta_quantile,
    binomial_tail,
    chi2_quantile,
    normal_quantile,
    regularised_beta,
    regularised_gamma,
    t_cdf,
    t_quantile,
)

chances = st.floats(1e-6, 1 - 1e-6)
freedoms = st.floats(0.5, 2000)


@given(freedoms, st.floats(0, 3000))
def test_incomplete_gamma_is_that_of_the_library(a, x):
    expected = scipy.special.gammainc(a, x)
    assert regularised_gamma(a, x) == pytest.approx(expected, rel=1e-9, abs=1e-12)


@given(st.floats(0, 1), freedoms, freedoms)
def test_incomplete_beta_is_that_of_the_library(x, a, b):
    expected = scipy.special.betainc(a, b, x)
    assert regularised_beta(x, a, b) == pytest.approx(expected, rel=1e-9, abs=1e-12)


@given(chances, freedoms)
def test_chi_square_quantiles_are_those_of_the_library(p, dof):
    assert chi2_quantile(p, dof) == pytest.approx(scipy.stats.chi2.ppf(p, dof), rel=1e-8)


@given(chances, freedoms)
def test_student_quantiles_are_those_of_the_library(p, dof):
    expected = scipy.stats.t.ppf(p, dof)
    assert t_quantile(p, dof) == pytest.approx(expected, rel=1e-7, abs=1e-7)


@given(chances, st.floats(0.5, 300), st.floats(0.5, 300))
def test_beta_quantiles_are_those_of_the_library(p, a, b):
    expected = scipy.stats.beta.ppf(p, a, b)
    assert beta_quantile(p, a, b) == pytest.approx(expected, rel=1e-7, abs=1e-12)


@given(st.integers(0, 60), st.integers(0, 60), st.floats(0.01, 0.99))
def test_binomial_tails_are_those_of_the_library(k, n, p):
    expected = scipy.stats.binom.sf(k - 1, n, p)
    assert binomial_tail(k, n, p) == pytest.approx(expected, rel=1e-9, abs=1e-14)


def test_quantiles_in_print_are_met():
    # Tables of any statistics text: z 1.960, t(10) 2.228, chi-square(5) 11.070 at 95 %.
    assert normal_quantile(0.975) == pytest.approx(1.95996, abs=1e-5)
    assert t_quantile(0.975, 10) == pytest.approx(2.2281, abs=1e-4)
    assert chi2_quantile(0.95, 5) == pytest.approx(11.0705, abs=1e-4)
    assert t_quantile(0.975, float("inf")) == pytest.approx(1.95996, abs=1e-5)


def test_a_probability_of_nought_or_one_has_no_quantile():
    for bad in (0.0, 1.0, -0.1, float("nan")):
        with pytest.raises(WaterError, match="between 0 and 1"):
            normal_quantile(bad)
    with pytest.raises(WaterError):
        t_cdf(1.0, 0.0)
    with pytest.raises(WaterError):
        regularised_beta(0.5, -1, 1)
    with pytest.raises(WaterError):
        regularised_gamma(0, 1)
