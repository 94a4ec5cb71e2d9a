"""Control charts: the examples of the handbooks stand in the check values; here the behaviour."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import WaterError
from acquire.stats.charts import cusum, ewma, ewma_limits, individuals, shewhart_constants

series = st.lists(st.floats(-1e4, 1e4), min_size=2, max_size=60)


def test_the_individuals_limits_are_2_66_mean_ranges_away():
    # NIST/SEMATECH e-Handbook 6.3.2.2.
    found = individuals([10, 12, 11, 13, 9])
    assert found.upper - found.mean == pytest.approx(2.66 * found.mean_range, rel=1e-3)
    assert found.outside == ()


def test_one_wild_value_is_outside():
    quiet = [10.0, 10.1] * 12
    assert individuals([*quiet, 14.0]).outside == (24,)


@given(series)
def test_an_average_with_full_weight_is_the_series_itself(values):
    assert ewma(values, weight=1.0, start=0.0) == pytest.approx(values)


@given(series, st.floats(0.05, 0.95))
def test_the_average_stays_within_what_was_seen(values, weight):
    averages = ewma(values, weight=weight, start=values[0])
    assert min(values) - 1e-6 <= min(averages)
    assert max(averages) <= max(values) + 1e-6


def test_exact_limits_grow_to_the_asymptotic_ones():
    widths = [ewma_limits(centre=0, sigma=1, weight=0.2, after=n)[1] for n in (1, 2, 5, 50)]
    assert widths == sorted(widths)
    assert widths[0] == pytest.approx(3 * 0.2)
    assert widths[-1] == pytest.approx(ewma_limits(centre=0, sigma=1, weight=0.2)[1], rel=1e-4)


def test_a_shift_of_one_sigma_is_signalled_by_the_sums_on_its_own_side():
    rng = np.random.default_rng(1)
    drift = rng.normal(0, 1, 20).tolist() + rng.normal(-1.5, 1, 30).tolist()
    found = cusum(drift, target=0, slack=0.5, decision=5)
    assert found.signals
    assert found.first_signal is not None
    assert found.first_signal >= 20
    assert found.low[found.first_signal] > 5
    assert not cusum(drift, target=0, slack=0.5).signals


def test_average_run_length_without_a_shift_is_that_in_print():
    # Montgomery: K 0.5, H 5 gives an average run of 465 values in control.
    rng = np.random.default_rng(2)
    runs = []
    for _ in range(200):
        found = cusum(rng.normal(0, 1, 4000).tolist(), target=0, slack=0.5, decision=5)
        runs.append(4000 if found.first_signal is None else found.first_signal + 1)
    assert np.mean(runs) == pytest.approx(465, rel=0.2)


@pytest.mark.parametrize("n", [2, 3, 5, 10, 25])
def test_chart_constants_are_what_simulation_finds(n):
    rng = np.random.default_rng(n)
    ranges = np.ptp(rng.normal(size=(100_000, n)), axis=1)
    found = shewhart_constants(n)
    assert found.d2 == pytest.approx(ranges.mean(), rel=0.005)
    assert found.d3 == pytest.approx(ranges.std(), rel=0.01)


def test_chart_constants_in_print_are_met():
    # Any text on control charts: n = 5, 7, 10 (from memory).
    five, seven, ten = (shewhart_constants(n) for n in (5, 7, 10))
    assert five.d2 == pytest.approx(2.326, abs=1e-3)
    assert five.a2 == pytest.approx(0.577, abs=1e-3)
    assert five.d4 == pytest.approx(2.114, abs=1e-3)
    assert seven.lower_d3 == pytest.approx(0.076, abs=1e-3)
    assert ten.c4 == pytest.approx(0.9727, abs=1e-4)


def test_what_makes_no_chart_is_refused():
    with pytest.raises(WaterError, match="at least 2 values"):
        individuals([1.0])
    with pytest.raises(WaterError, match="finite"):
        individuals([1.0, math.nan])
    with pytest.raises(WaterError, match="weight"):
        ewma([1.0], weight=0.0, start=0)
    with pytest.raises(WaterError, match="2 to 25"):
        shewhart_constants(1)
    with pytest.raises(WaterError):
        cusum([1.0], target=0, slack=-1)
