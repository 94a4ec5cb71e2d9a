"""TDS is a convention: the factor is always with it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import WaterError
from acquire.water.dissolved_solids import (
    NACL_FACTOR,
    TdsFactor,
    conductivity_of_nacl,
    factor_from_residue,
    nacl_of_conductivity,
    tds_of,
)


def test_the_method_names_the_factor_and_its_definition():
    found = tds_of(512, NACL_FACTOR)
    assert found.value == 256
    assert "k = 0.5" in found.method
    assert "nacl" in found.method


def test_one_water_has_two_factors_by_two_definitions():
    # One tap water: 0.77 by the sum of its ions, 0.55 by residue (methods of this project).
    by_sum, _ = factor_from_residue(337.3, 439.5, definition="sum-of-ions")
    by_residue, _ = factor_from_residue(241, 439.5)
    assert by_sum.k == pytest.approx(0.767, abs=0.001)
    assert by_residue.k == pytest.approx(0.548, abs=0.001)


def test_a_factor_outside_natural_waters_is_marked_and_an_impossible_one_refused():
    assert not factor_from_residue(300, 450)[1]
    assert factor_from_residue(220, 450)[1]
    with pytest.raises(WaterError, match="TDS factor"):
        factor_from_residue(300, 4.5)
    with pytest.raises(WaterError, match="TDS factor"):
        TdsFactor(2.0)


@given(st.floats(1, 5800))
def test_nacl_equivalent_is_the_inverse_of_its_conductivity(mg_l):
    ec = conductivity_of_nacl(mg_l).value
    assert nacl_of_conductivity(ec).value == pytest.approx(mg_l, rel=1e-9)


def test_table_salt_conducts_as_phreeqc_says(phreeqc):
    for mg_l in (20, 100, 500, 1000, 3000):
        water = phreeqc.add_solution_simple({"NaCl": mg_l / 58.443}, temperature=25)
        assert conductivity_of_nacl(mg_l).value == pytest.approx(water.sc, rel=0.012)


def test_beyond_the_table_it_is_refused():
    with pytest.raises(WaterError, match="ends at 5844 mg/L"):
        conductivity_of_nacl(6000)
    with pytest.raises(WaterError, match="NaCl table ends"):
        nacl_of_conductivity(20_000)
