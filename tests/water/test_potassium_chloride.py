"""Potassium chloride standards: whose 0.01 it is."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import WaterError
from acquire.water.conductivity import alpha_between
from acquire.water.potassium_chloride import (
    demal,
    epa_molar,
    kcl_shape,
    kcl_standard,
    molal,
    molality_of,
    standard_methods_molar,
)
from acquire.water.tables import lagrange


def test_four_definitions_give_four_values_at_25():
    values = [
        kcl_standard("molal", 0.01, 25).value,
        kcl_standard("demal", 0.01, 25).value,
        kcl_standard("standard-methods", 0.01, 25).value,
        kcl_standard("epa", 0.01, 25).value,
    ]
    assert values == pytest.approx([1408.23, 1408.3, 1412, 1413])


@given(st.floats(0, 49), st.sampled_from([0.01, 0.1, 1.0]))
def test_conductivity_rises_with_temperature_without_steps(temp, strength):
    here, there = molal(strength, temp).value, molal(strength, temp + 1).value
    assert 0.01 < there / here - 1 < 0.035


def test_between_the_lines_a_line_left_out_is_found_again():
    # NIST lists 18 °C for 0.01 and 0.1 mol/kg: the cubic through the others meets them.
    for strength, listed in ((0.01, 1219.93), (0.1, 11140.6)):
        without = (10.0, 15.0, 20.0, 25.0)
        values = [molal(strength, t).value for t in without]
        assert lagrange(without, values, 18.0) == pytest.approx(listed, rel=2e-5)


def test_near_22_degrees_the_coefficient_is_1_91_percent():
    # Common practice, no source: 1.91 %/K for 0.01 mol/L KCl.
    assert alpha_between(1413, epa_molar(22).value, 22) == pytest.approx(0.0191, abs=2e-4)


def test_the_demal_solution_is_nearly_the_molal_one():
    assert molality_of(0.745263) == pytest.approx(0.0100041, abs=1e-6)
    # 1 demal is 1.027 mol/kg: OIML and NIST agree on it within their own 0.3 %.
    per_molal = molal(1.0, 25).value / 1.0
    assert demal(1.0, 25).value / molality_of(71.1352) == pytest.approx(per_molal, rel=5e-3)
    for temp in (0, 18, 25, 40):
        assert demal(0.01, temp).value == pytest.approx(molal(0.01, temp).value, rel=1e-3)


def test_the_epa_table_and_the_nist_shape_agree_where_they_meet():
    for temp in range(21, 29):
        assert epa_molar(temp).value == pytest.approx(1413 * kcl_shape(0.01, temp), rel=8e-4)
        assert not epa_molar(temp).extrapolated
    assert epa_molar(15).extrapolated


def test_phreeqc_gives_the_same_conductivity_of_weak_solutions(phreeqc):
    for strength in (0.0005, 0.001, 0.005, 0.01):
        water = phreeqc.add_solution_simple({"KCl": 1000 * strength}, temperature=25)
        assert standard_methods_molar(strength).value == pytest.approx(water.sc, rel=0.015)


def test_an_unknown_strength_names_the_known_ones():
    with pytest.raises(WaterError, match=r"known are 0\.01, 0\.1, 1"):
        molal(0.02, 25)
    with pytest.raises(WaterError, match="known are molal, demal, epa, standard-methods"):
        kcl_standard("ours", 0.01, 25)
    with pytest.raises(WaterError, match="ends at 1 mol/L"):
        standard_methods_molar(2.0)
    with pytest.raises(WaterError, match="beyond what dissolves"):
        molality_of(300.0)
