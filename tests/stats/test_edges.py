"""The ends of the distributions and what is refused."""

from __future__ import annotations

import math

import pytest

from acquire.errors import WaterError
from acquire.stats.compare import fieller
from acquire.stats.counts import left_over
from acquire.stats.quantiles import regularised_beta, regularised_gamma, t_cdf
from acquire.stats.uncertain_exposure import _sigma, ratio_of_rates


def test_the_gamma_function_reaches_one_at_infinity():
    assert regularised_gamma(2.0, math.inf) == 1.0
    assert regularised_gamma(2.0, 0.0) == 0.0


def test_a_fraction_that_cannot_be_evaluated_is_refused_and_not_guessed():
    with pytest.raises(WaterError, match="did not converge"):
        regularised_beta(0.5, 1e13, 1e13)


def test_nothing_is_computed_without_degrees_of_freedom():
    with pytest.raises(WaterError, match="degrees of freedom"):
        t_cdf(1.0, 0.0)


def test_a_covariance_larger_than_its_uncertainties_is_refused():
    with pytest.raises(WaterError, match="does not go with"):
        fieller(10.0, 0.1, 20.0, 0.1, covariance=1.0)


def test_levels_and_exposures_that_say_nothing_are_refused():
    for level in (0.0, 1.0):
        with pytest.raises(WaterError, match="between 0 and 1"):
            left_over(level)
    with pytest.raises(WaterError, match="at most 100"):
        _sigma(1.5)


def test_two_counts_of_nothing_say_nothing_about_their_ratio():
    found = ratio_of_rates(0, 1.0, 0, 1.0, relative_u=0.2)
    assert math.isnan(found.value)
    assert (found.low, found.high) == (0.0, math.inf)
