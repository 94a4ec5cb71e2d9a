"""The pH of simple waters against PHREEQC, over ranges."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.errors import WaterError
from acquire.water.equilibrium import (
    Composition,
    log_k1,
    log_k2,
    log_ka_acetic,
    log_kh,
    log_kw,
    ph_of,
)
from acquire.water.kitchen import air_water, baking_soda, pure_water_ph, vinegar


@settings(max_examples=30)
@given(st.floats(0.05, 20), st.floats(1, 45))
def test_baking_soda_has_the_ph_phreeqc_gives(phreeqc, grams, temp):
    water = phreeqc.add_solution_simple({"NaHCO3": grams / 84.007 * 1000}, temperature=temp)
    expected = water.pH
    water.forget()
    assert baking_soda(grams, temp_c=temp).value == pytest.approx(expected, abs=0.02)


@settings(max_examples=30)
@given(st.floats(0.1, 20), st.floats(1, 45), st.floats(200, 5000))
def test_baking_soda_at_rest_with_air_has_the_ph_phreeqc_gives(phreeqc, grams, temp, ppm):
    water = phreeqc.add_solution_simple({"NaHCO3": grams / 84.007 * 1000}, temperature=temp)
    water.equalize(["CO2(g)"], [math.log10(ppm * 1e-6)])
    expected = water.pH
    water.forget()
    found = baking_soda(grams, temp_c=temp, co2_ppm=ppm)
    assert found.value == pytest.approx(expected, abs=0.02)


@settings(max_examples=30)
@given(st.floats(200, 5000), st.floats(1, 45))
def test_water_with_the_airs_carbon_dioxide_has_the_ph_phreeqc_gives(phreeqc, ppm, temp):
    # "7 charge": pH 7 is neutral only at 25 °C, and PHREEQC keeps the charge it starts with.
    water = phreeqc.add_solution({"units": "mol/kgw", "temp": temp, "pH": "7 charge"})
    water.equalize(["CO2(g)"], [math.log10(ppm * 1e-6)])
    expected = water.pH
    water.forget()
    assert air_water(co2_ppm=ppm, temp_c=temp).value == pytest.approx(expected, abs=0.005)


@settings(max_examples=30)
@given(st.floats(0.02, 10), st.floats(1, 20))
def test_vinegar_has_the_ph_phreeqc_gives(phreeqc, percent, dilution):
    # phreeqc.dat knows no acetate: it is defined here with the same pKa, 4.756 at 25 °C.
    phreeqc.ip.run_string(
        "SOLUTION_MASTER_SPECIES\nAcetate Acetate- 1.0 59.045 59.045\n"
        "SOLUTION_SPECIES\nAcetate- = Acetate-\n-log_k 0\n"
        "Acetate- + H+ = H(Acetate)\n-log_k 4.756\nEND\n"
    )
    moles = percent * 10 / 60.052 / dilution
    water = phreeqc.add_solution(
        {"units": "mol/kgw", "temp": 25, "pH": "3 charge", "Acetate": moles}
    )
    expected = water.pH
    water.forget()
    assert vinegar(percent, dilution=dilution).value == pytest.approx(expected, abs=0.015)


@given(st.floats(0, 50))
def test_constants_stay_near_their_published_values(temp):
    assert -15 < log_kw(temp) < -13.2
    assert -6.6 < log_k1(temp) < -6.25
    assert -10.7 < log_k2(temp) < -10.1
    assert -1.8 < log_kh(temp) < -1.0
    assert -4.80 < log_ka_acetic(temp) < -4.75


def test_constants_at_25_degrees_are_those_in_print():
    # Plummer & Busenberg 1982; Harned & Ehlers 1933.
    assert log_k1(25) == pytest.approx(-6.352, abs=0.001)
    assert log_k2(25) == pytest.approx(-10.329, abs=0.001)
    assert log_kh(25) == pytest.approx(-1.468, abs=0.001)
    assert log_ka_acetic(25) == pytest.approx(-4.756, abs=0.001)
    assert log_kw(25) == pytest.approx(-13.995, abs=0.001)


def test_neutral_salt_in_pure_water_stays_neutral():
    # H+ and OH- are lessened a little differently: 0.003 at 0.01 mol/kg.
    salty = ph_of(Composition(sodium=0.01, chloride=0.01), 25.0)
    assert salty == pytest.approx(pure_water_ph(25.0), abs=0.005)


def test_a_strong_mixture_is_refused_or_marked():
    assert not baking_soda(10).extrapolated
    with pytest.raises(WaterError, match="baking soda"):
        baking_soda(200)
    assert vinegar(20).extrapolated
    with pytest.raises(WaterError, match="carbon dioxide"):
        air_water(co2_ppm=2e6)
