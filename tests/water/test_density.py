"""Density and specific gravity against TEOS-10 (library gsw), and what a display can show."""

from __future__ import annotations

import gsw
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import WaterError
from acquire.water.density import (
    displayed_gravity,
    expected_gravity,
    salt_density,
    salts_that_show,
    seawater_density,
    specific_gravity,
)
from acquire.water.pure import water_density
from acquire.water.salinity import t68


@given(st.floats(0, 2), st.floats(0, 40))
def test_density_over_the_drinking_water_range_is_that_of_teos_10(salinity, temp):
    expected = float(gsw.rho_t_exact(gsw.SR_from_SP(salinity), temp, 0))
    assert seawater_density(salinity, t68(temp)).value == pytest.approx(expected, abs=0.006)


@given(st.floats(2, 40), st.floats(0, 39), st.floats(0, 5000))
def test_density_of_salt_water_is_within_20_ppm_of_teos_10(salinity, temp, pressure):
    expected = float(gsw.rho_t_exact(gsw.SR_from_SP(salinity), temp, pressure))
    assert seawater_density(salinity, t68(temp), pressure).value == pytest.approx(
        expected, rel=2e-5
    )


@given(st.sampled_from(["NaCl", "CaCl2", "NaHCO3", "MgSO4"]), st.floats(0, 3000), st.floats(15, 40))
def test_salts_add_about_what_sea_salt_adds(salt, mg_l, temp):
    # Per gram sea salt adds 0.78 kg/m³ (TEOS-10); common salts lie around it.
    excess = salt_density(salt, mg_l, temp).value - water_density(temp).value
    assert 0.6 * mg_l / 1000 - 1e-9 <= excess <= 1.1 * mg_l / 1000 + 1e-9


def test_table_salt_density_is_that_of_the_handbook():
    # CRC Handbook, aqueous NaCl at 20 °C (from memory): 1 % by mass 1.0053 g/cm³.
    assert salt_density("NaCl", 10_053, 20).value == pytest.approx(1005.3, abs=0.3)


@given(st.floats(0, 2000), st.floats(0, 40))
def test_every_salt_lies_within_what_is_allowed(mg_l, temp):
    low, high = expected_gravity(mg_l, temp, reference_temp_c=20.0)
    for salt in ("NaCl", "KCl", "CaCl2", "MgSO4", "Na2SO4", "NaHCO3"):
        gravity = specific_gravity(salt_density(salt, mg_l, temp).value, reference_temp_c=20.0)
        assert low - 1e-5 <= gravity.value <= high + 1e-5


def test_a_three_decimal_display_shows_nothing_of_drinking_water():
    for mg_l in (50, 100, 500):
        gravity = salt_density("NaCl", mg_l, 20).value / water_density(20).value
        assert displayed_gravity(gravity) == 1.0
    assert salts_that_show() == pytest.approx(714, abs=1)
    gravity = salt_density("NaCl", 800, 20).value / water_density(20).value
    assert displayed_gravity(gravity) == 1.001


def test_one_water_has_several_specific_gravities():
    water = water_density(25).value
    assert specific_gravity(water, reference_temp_c=25).value == 1.0
    assert specific_gravity(water, reference_temp_c=20).value == pytest.approx(0.99884, abs=1e-5)
    assert specific_gravity(water, reference_temp_c=4).value == pytest.approx(0.99707, abs=1e-5)


def test_an_unknown_salt_names_the_known_ones():
    with pytest.raises(WaterError, match="NaCl, KCl"):
        salt_density("sugar", 100, 20)
    with pytest.raises(WaterError, match="more than the model holds"):
        salt_density("NaHCO3", 400_000, 20)


def test_cold_solutions_are_marked():
    assert salt_density("NaCl", 500, 10).extrapolated
    assert not salt_density("NaCl", 500, 20).extrapolated
