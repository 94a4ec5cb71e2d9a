"""The ends of the formulas: what lies just inside, and what is refused in words."""

from __future__ import annotations

import pytest

from acquire.errors import ConfigError, WaterError
from acquire.presets import _preset
from acquire.quantities import Tolerance, find_quantity
from acquire.readings import Channel
from acquire.water.behaviour import compensation_seen_in_standard
from acquire.water.conductivity import Compensation, iso7888_factor, recompensate
from acquire.water.consistency import consistency, gravity_agrees, salinity_agrees
from acquire.water.potassium_chloride import kcl_shape, standard_methods_molar
from acquire.water.salinity import conductivity_of_salinity, practical_salinity


def test_a_compensation_says_in_words_what_it_is():
    assert str(Compensation("none")) == "not compensated"
    assert str(Compensation("linear", 25.0, 0.02)) == "linear 2 %/°C to 25 °C"
    assert str(Compensation("iso7888", 20.0)) == "ISO 7888 natural water to 20 °C"
    assert str(Compensation("unknown", 25.0)) == "to 25 °C, by an unknown rule"


def test_the_iso_factor_is_one_at_its_own_reference_whatever_that_is():
    for reference_c in (15.0, 20.0, 25.0):
        factor = iso7888_factor(reference_c, reference_c=reference_c).value
        assert factor == pytest.approx(1.0, abs=5e-4)
    at_15 = iso7888_factor(10.0, reference_c=15.0).value
    assert at_15 == pytest.approx(
        iso7888_factor(10.0).value / iso7888_factor(15.0).value, rel=1e-12
    )


def test_no_compensation_changes_nothing():
    raw = Compensation("none")
    assert recompensate(512.0, 15.0, said=raw, wanted=raw).value == 512.0


def test_a_straight_compensation_ends_where_it_would_turn_negative():
    with pytest.raises(WaterError, match="too far from 25"):
        compensation_seen_in_standard(1413.0, 10.0, standard_25_us_cm=1413.0, alpha=0.1)


def test_beyond_the_salt_table_the_salinity_is_held_against_what_is_left():
    found = salinity_agrees(100.0, 200_000.0, step=0.1)
    assert "NaCl" not in found.arithmetic
    assert "half of the conductivity 100.000" in found.arithmetic


def test_a_coarse_display_of_specific_gravity_is_told_to_say_nothing_more():
    coarse = gravity_agrees(1.000, 300.0, 20.0, step=0.001)
    fine = gravity_agrees(1.0200, 28_000.0, 20.0, step=0.00001)
    assert "tells nothing more" in coarse.text
    assert "tells nothing more" not in fine.text


def test_without_a_coefficient_the_raw_conductivity_is_not_made_up():
    channels = {
        "conductivity": Channel("conductivity", 1.0, reference_c=25.0),
        "salinity": Channel("salinity", 0.01),
        "temperature": Channel("temperature", 0.1),
    }
    values = {"conductivity": 500.0, "salinity": 0.25, "temperature": 20.0}
    found = [one for one in consistency(values, channels) if one.about == "salinity"]
    assert len(found) == 1
    assert "PSS-78" not in found[0].arithmetic


def test_the_molar_table_away_from_25_degrees_is_carried_and_marked():
    at_25, at_20 = standard_methods_molar(0.01), standard_methods_molar(0.01, 20.0)
    assert not at_25.extrapolated
    assert at_20.extrapolated
    assert at_20.value / at_25.value == pytest.approx(kcl_shape(0.01, 20.0), rel=1e-12)
    # 0.01 mol/L KCl at 20 °C: 1278 µS/cm (ASTM D1125, from memory).
    assert at_20.value == pytest.approx(1278, rel=0.005)


@pytest.mark.parametrize("temp_c", [-1.9, 0.0, 35.0])
@pytest.mark.parametrize("pressure_dbar", [0.0, 10_000.0])
def test_the_saltiest_water_allowed_is_found_again(temp_c, pressure_dbar):
    ec = conductivity_of_salinity(49.9, temp_c, pressure_dbar).value
    assert practical_salinity(ec, temp_c, pressure_dbar).value == pytest.approx(49.9, abs=1e-6)


def test_tables_that_people_or_files_get_wrong_are_refused_by_name():
    with pytest.raises(ConfigError, match="unknown key of a preset"):
        _preset("mine", {"hurry": 1})
    with pytest.raises(ConfigError, match="above zero"):
        Tolerance(0.0, 0.0)
    with pytest.raises(ConfigError, match="conductivity"):
        find_quantity("wetness")
