"""Pure water against the international formulations (library iapws)."""

from __future__ import annotations

import iapws
import pytest
from hypothesis import given
from hypothesis import strategies as st
from iapws._iapws import _Liquid

from acquire.water.pure import dielectric_constant, water_density, water_viscosity


@given(st.floats(0.1, 50))
def test_density_from_0_to_50_degrees_is_that_of_iapws_95(temp):
    assert water_density(temp).value == pytest.approx(
        iapws.IAPWS95(T=temp + 273.15, P=0.101325).rho, abs=0.003
    )


@given(st.floats(0.1, 99))
def test_viscosity_is_that_of_the_supplementary_release(temp):
    assert water_viscosity(temp) == pytest.approx(1000 * _Liquid(temp + 273.15)["mu"], rel=1e-6)


@given(st.floats(0.1, 99))
def test_permittivity_is_within_half_a_percent_of_iapws(temp):
    assert dielectric_constant(temp) == pytest.approx(_Liquid(temp + 273.15)["epsilon"], rel=5e-3)


def test_water_is_densest_near_4_degrees():
    # Tanaka et al. 2001: 999.974950 kg/m³ at 3.983035 °C.
    best = max(range(1000), key=lambda n: water_density(n / 100).value) / 100
    assert best == pytest.approx(3.98, abs=0.01)
    assert water_density(3.983035).value == pytest.approx(999.97495, abs=1e-5)


def test_the_two_formulas_meet_at_40_degrees():
    assert water_density(40.0).value == pytest.approx(water_density(40.0001).value, abs=0.001)
