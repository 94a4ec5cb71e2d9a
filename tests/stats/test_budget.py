"""Uncertainty budgets: the GUM, and the correlation of one meter."""

from __future__ import annotations

import math

import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import correlated_values, ufloat

from acquire.errors import WaterError
from acquire.readings import Channel, SettledValue
from acquire.stats.budget import (
    Budget,
    Component,
    Factor,
    budget_of,
    combined,
    coverage_factor,
    difference,
    normal_u,
    product,
    triangular_u,
)

small = st.floats(0.001, 1.0)


def settled(value, quantity="conductivity", **budget):
    parts = budget or {"noise": 0.4, "resolution": 0.29, "remaining": 0.2}
    return SettledValue(quantity, value, 1.0, "settled", 0.0, 20.0, budget=parts)


def meter_budget(value, channel, **more):
    return budget_of(settled(value), channel, meter="one", unit="uS/cm", **more)


OFFSET = Channel("conductivity", 1.0, accuracy=10.0)
GAIN = Channel("conductivity", 1.0, accuracy_relative=0.02)


def test_the_example_of_the_analysts_guide_is_met():
    # EURACHEM/CITAC QUAM, example A1: c = 1002.7 mg/L, u = 0.9 mg/L, U = 1.8 mg/L.
    found = product(
        Factor("mass", 100.28, 0.05),
        Factor("purity", 0.9999, 0.000058),
        Factor("volume", 100.0, 0.07, -1.0),
        constant=1000.0,
    )
    assert found.value == pytest.approx(1002.7, abs=0.05)
    assert found.u == pytest.approx(0.9, abs=0.05)
    assert 2 * found.u == pytest.approx(1.8, abs=0.1)
    assert found.rows()[0][0] == "volume"


@given(small, small, st.floats(1, 100), st.floats(1, 100))
def test_products_carry_uncertainty_as_the_reference_library_does(u_a, u_b, a, b):
    expected = ufloat(a, u_a) ** 2 / ufloat(b, u_b)
    found = product(Factor("a", a, u_a, 2.0), Factor("b", b, u_b, -1.0))
    assert found.value == pytest.approx(expected.nominal_value)
    assert found.u == pytest.approx(expected.std_dev)


@given(st.floats(50, 2000), st.floats(50, 2000), small, small, small)
def test_a_difference_on_one_meter_is_that_of_correlated_values(a, b, noise_a, noise_b, gain):
    first = Budget(
        a,
        (
            Component("noise", noise_a),
            Component("accuracy", gain * a / 100, shared="gain", source="m"),
        ),
    )
    second = Budget(
        b,
        (
            Component("noise", noise_b),
            Component("accuracy", gain * b / 100, shared="gain", source="m"),
        ),
    )
    share = (gain / 100) ** 2
    x, y = correlated_values(
        [a, b],
        [[noise_a**2 + share * a * a, share * a * b], [share * a * b, noise_b**2 + share * b * b]],
    )  # fmt: skip
    found = difference(first, second)
    assert found.value == pytest.approx(a - b)
    assert found.u == pytest.approx((x - y).std_dev, rel=1e-6)


def test_an_offset_cancels_in_a_difference_on_one_meter():
    found = difference(meter_budget(500, OFFSET), meter_budget(480, OFFSET))
    assert found.value == 20
    assert found.u == pytest.approx(combined([0.4, 0.29, 0.2, 0.4, 0.29, 0.2]))


def test_a_gain_does_not_cancel_but_counts_for_the_difference_only():
    far = difference(meter_budget(1000, GAIN), meter_budget(10, GAIN))
    near = difference(meter_budget(1000, GAIN), meter_budget(990, GAIN))
    accuracy = {name: u for name, u, _ in far.rows()}["accuracy"]
    assert accuracy == pytest.approx(0.02 * 990 / math.sqrt(3))
    assert near.u < far.u / 5


def test_two_meters_share_nothing():
    one = budget_of(settled(500), OFFSET, meter="one")
    two = budget_of(settled(480), OFFSET, meter="two")
    assert difference(one, two).u == pytest.approx(math.hypot(one.u, two.u))
    nameless = budget_of(settled(480), OFFSET)
    assert difference(nameless, nameless).u == pytest.approx(math.sqrt(2) * nameless.u)


def test_a_slope_error_of_ph_turns_about_ph_7():
    parts = [
        Budget(ph, (Component("slope", 0.02 * abs(ph - 7), shared="gain", source="m"),), pivot=7.0)
        for ph in (4.0, 9.0)
    ]
    assert difference(*parts).u == pytest.approx(0.02 * 5)


def test_the_budget_of_a_settled_value_holds_what_was_promised():
    found = meter_budget(500, GAIN)
    rows = {name: u for name, u, _ in found.rows()}
    assert set(rows) == {"noise", "resolution", "remaining", "accuracy"}
    assert rows["accuracy"] == pytest.approx(0.02 * 500 / math.sqrt(3))
    assert sum(share for _, _, share in found.rows()) == pytest.approx(1)
    assert found.expanded() == pytest.approx(1.96 * found.u, rel=1e-3)


def test_a_check_replaces_the_makers_statement():
    rows = dict.fromkeys(name for name, _, _ in meter_budget(500, GAIN, check_u=1.5).rows())
    assert "accuracy" not in rows
    assert "check" in rows


def test_a_settling_without_resolution_gets_that_of_the_display():
    found = budget_of(settled(500, noise=0.1), OFFSET)
    rows = {name: u for name, u, _ in found.rows()}
    assert rows["resolution"] == pytest.approx(1 / math.sqrt(12))


def test_few_degrees_of_freedom_widen_the_interval():
    # GUM annex G: Welch-Satterthwaite, then Student's t.
    found = Budget(0.0, (Component("noise", 3.0, 4), Component("accuracy", 1.0)))
    assert found.dof == pytest.approx(10**2 / (81 / 4))
    assert found.k() == pytest.approx(scipy.stats.t.ppf(0.975, 4))
    assert coverage_factor(math.inf) == pytest.approx(1.95996, abs=1e-5)
    assert coverage_factor(math.inf, 0.9545) == pytest.approx(2.0, abs=1e-3)
    assert coverage_factor(0.4) == pytest.approx(12.706, abs=1e-3)


def test_no_uncertainty_at_all_is_a_budget_too():
    found = Budget(1.0, (Component("nothing", 0.0),))
    assert found.u == 0
    assert found.dof == math.inf
    assert found.rows() == (("nothing", 0.0, 0.0),)


def test_shapes_of_distributions_are_those_of_the_gum():
    assert triangular_u(0.6) == pytest.approx(0.6 / math.sqrt(6))
    assert normal_u(0.02) == 0.01
    assert combined({"a": 3.0, "b": 4.0}) == 5.0


def test_nonsense_is_refused():
    with pytest.raises(WaterError):
        Component("noise", -1.0)
    with pytest.raises(WaterError):
        Component("noise", math.nan)
    with pytest.raises(WaterError):
        Component("noise", 1.0, 0.0)
    with pytest.raises(WaterError):
        coverage_factor(5, 1.0)
    with pytest.raises(WaterError):
        coverage_factor(-1)
    with pytest.raises(WaterError, match="is zero"):
        product(Factor("a", 0.0, 1.0))
