"""Counts over an exposure that is not known exactly."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from acquire.errors import WaterError
from acquire.stats.counts import poisson_interval, poisson_upper, rate_ratio
from acquire.stats.uncertain_exposure import mean_interval, mean_upper, ratio_of_rates


@pytest.mark.parametrize("count", [0, 1, 3, 17, 240])
def test_a_sure_exposure_gives_the_exact_interval(count):
    low, high = mean_interval(count)
    assert (low, high) == pytest.approx(poisson_interval(count), rel=1e-8)
    # An independent library: half chi-square quantiles.
    want = stats.chi2.ppf(0.025, 2 * count) / 2 if count else 0.0
    assert low == pytest.approx(want, rel=1e-8)
    assert mean_upper(count) == pytest.approx(poisson_upper(count), rel=1e-8)


def test_none_seen_is_three_at_most():
    assert mean_upper(0) == pytest.approx(2.996, abs=0.001)  # Hanley & Lippman-Hand 1983
    assert mean_interval(0)[1] == pytest.approx(3.689, abs=0.001)  # Garwood 1936


@pytest.mark.parametrize(("a", "b", "share"), [(12, 5, 1.0), (0, 7, 2.5), (40, 33, 0.4), (3, 0, 1)])
def test_a_sure_exposure_gives_the_exact_ratio(a, b, share):
    found, want = ratio_of_rates(a, share, b, 1.0), rate_ratio(a, share, b, 1.0)
    for mine, theirs in zip(
        (found.value, found.low, found.high, found.p_value),
        (want.value, want.low, want.high, want.p_value),
        strict=True,
    ):
        assert mine == pytest.approx(theirs, rel=1e-7)


def test_the_averaged_tail_is_that_of_a_simulation():
    """At the upper end 2.5 % of counts are as low: drawn by numpy, volume first, then particles."""
    draw = np.random.default_rng(5)
    for count in (0, 4, 30):
        low, high = mean_interval(count, relative_u=0.2)
        sigma = math.sqrt(math.log(1.04))
        volume = np.exp(draw.normal(0.0, sigma, 400_000))
        assert (draw.poisson(high * volume) <= count).mean() == pytest.approx(0.025, abs=0.001)
        if count:
            assert (draw.poisson(low * volume) >= count).mean() == pytest.approx(0.025, abs=0.001)


@pytest.mark.parametrize("mean", [0.5, 2.0, 9.0, 60.0])
def test_the_interval_covers_the_truth_in_95_of_100_and_more(mean):
    draw = np.random.default_rng(3)
    # The real drop is within ±20 %, all equally likely: the model's log-normal is not this one.
    volume = draw.uniform(0.8, 1.2, 20_000)
    counts, times = np.unique(draw.poisson(mean * volume), return_counts=True)
    covered = sum(
        int(n)
        for count, n in zip(counts, times, strict=True)
        for low, high in [mean_interval(int(count), relative_u=0.2 / math.sqrt(3))]
        if low <= mean <= high
    )
    assert covered / 20_000 >= 0.945


def test_equal_waters_differ_in_at_most_5_of_100():
    draw = np.random.default_rng(11)
    relative_u = math.hypot(0.2, 0.2) / math.sqrt(3)
    false = 0
    trials = 250
    for _ in range(trials):
        a = int(draw.poisson(25 * draw.uniform(0.8, 1.2)))
        b = int(draw.poisson(50 * draw.uniform(0.8, 1.2)))
        found = ratio_of_rates(a, 1.0, b, 2.0, relative_u=relative_u)
        false += not found.low <= 1.0 <= found.high
        assert (found.p_value < 0.05) == (not found.low <= 1.0 <= found.high)
    assert false / trials <= 0.05


@given(st.integers(0, 400), st.floats(0.0, 0.5))
def test_uncertainty_only_widens(count, u):
    narrow, wide = mean_interval(count), mean_interval(count, relative_u=u)
    assert wide[0] <= narrow[0] * (1 + 1e-8)
    assert wide[1] >= narrow[1] * (1 - 1e-8)


@pytest.mark.parametrize("bad", [{"count": -1}, {"count": 1.5}, {"count": 1, "relative_u": 2.0}])
def test_what_is_no_count_is_refused(bad):
    with pytest.raises(WaterError):
        mean_interval(**bad)


@pytest.mark.parametrize("relative_u", [0.05, 0.12, 0.3])
@pytest.mark.parametrize("count", [0, 1, 20, 300, 3000])
def test_many_particles_are_averaged_as_well_as_few(count, relative_u):
    """Against a fine grid of numpy and scipy: 3,000 particles were 7 % off with a coarse one."""
    z = np.linspace(-8.0, 8.0, 16_001)
    weight = np.exp(-0.5 * z * z)
    weight /= weight.sum()
    volume = np.exp(math.sqrt(math.log1p(relative_u**2)) * z)

    def tail(n, mean):
        return float(weight @ stats.gamma.cdf(mean * volume, n))

    low, high = mean_interval(count, relative_u=relative_u)
    want = optimize.brentq(lambda m: tail(count + 1, m) - 0.975, 1e-6, 10 * (count + 5), rtol=1e-10)
    assert high == pytest.approx(want, rel=1e-4)
    if count:
        want = optimize.brentq(lambda m: tail(count, m) - 0.025, 1e-6, count + 1.0, rtol=1e-10)
        assert low == pytest.approx(want, rel=1e-4)


def test_a_ratio_of_many_particles_is_as_sure_as_the_drops():
    # With so many the interval is that of the log-normal exposure alone: exp(±1.96 sigma).
    found = ratio_of_rates(1_000_000, 1.0, 1_000_000, 1.0, relative_u=0.15)
    sigma = math.sqrt(math.log1p(0.15**2) + 2e-6)
    assert found.high == pytest.approx(math.exp(1.959964 * sigma), rel=4e-3)
    assert found.low == pytest.approx(math.exp(-1.959964 * sigma), rel=4e-3)
