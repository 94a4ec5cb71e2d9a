"""What the trade knows, computed: every one common practice, no source."""

from __future__ import annotations

import pytest

from acquire.water.conductivity import NATURAL_25, to_reference
from acquire.water.dissolved_solids import nacl_of_conductivity
from acquire.water.ions import conductivity_of_ions, salt_to_ions
from acquire.water.kitchen import air_water, baking_soda, pure_water_ph, vinegar
from acquire.water.limits import find_limit
from acquire.water.salinity import C_35_15_0_MS_CM, percent_of_salinity, practical_salinity


def test_pure_water_has_ph_7():
    assert pure_water_ph(25.0) == pytest.approx(7.0, abs=0.01)


def test_six_percent_vinegar_is_near_ph_2_3():
    assert vinegar(6.0).value == pytest.approx(2.3, abs=0.1)


def test_the_strength_on_the_label_of_vinegar_hardly_matters():
    assert vinegar(4.0).value - vinegar(6.0).value < 0.1


def test_a_meter_scaled_as_sodium_chloride_shows_tds_about_half_of_conductivity():
    for ec in (100, 500, 1000, 1500):
        assert nacl_of_conductivity(ec).value / ec == pytest.approx(0.5, abs=0.03)


def test_sea_water_is_about_3_percent_salt():
    salt = practical_salinity(1000 * C_35_15_0_MS_CM, 15.0).value
    assert 3.0 < percent_of_salinity(salt) < 3.6


def test_drinking_water_is_mostly_between_ph_6_and_8_and_within_what_is_allowed():
    us, eu = find_limit("us-secondary-ph"), find_limit("eu-ph")
    assert us.lower >= 6.0
    assert us.upper <= eu.upper
    # 1 mmol/kg of bicarbonate with 1 % CO2 in the ground and 0.04 % in the air brackets tap water.
    assert 6.0 < baking_soda(0.084, co2_ppm=5000).value < 8.0


def test_reverse_osmosis_water_is_slightly_acid_from_the_airs_carbon_dioxide():
    assert 5.4 < air_water().value < 6.0
    assert air_water(co2_ppm=1500).value < air_water(co2_ppm=425).value


def test_baking_soda_is_mildly_alkaline_and_rises_as_gas_leaves():
    fresh = baking_soda(10.0).value
    assert fresh == pytest.approx(8.1, abs=0.3)
    assert baking_soda(10.0, co2_ppm=420).value > fresh + 1


def test_conductivity_changes_by_about_2_percent_per_degree():
    water = salt_to_ions({"NaCl": 100, "CaSO4": 100, "NaHCO3": 150})
    ratio = conductivity_of_ions(water, 26).value / conductivity_of_ions(water, 25).value
    assert ratio == pytest.approx(1.02, abs=0.003)
    assert to_reference(100, 24, NATURAL_25).value == pytest.approx(102, abs=0.3)
