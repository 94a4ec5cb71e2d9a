"""Practical salinity against TEOS-10 (library gsw)."""

from __future__ import annotations

import math

import gsw
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from acquire.errors import WaterError
from acquire.water.salinity import (
    conductivity_of_salinity,
    percent_of_salinity,
    practical_salinity,
)


@given(st.floats(1, 5000), st.floats(0, 35))
def test_salinity_of_drinking_water_is_that_of_teos_10(ec, temp):
    expected = float(gsw.SP_from_C(ec / 1000, temp, 0))
    found = practical_salinity(ec, temp)
    if math.isnan(expected):  # below zero: TEOS-10 gives nothing, we give 0, marked
        assert ec < 5
        assert found.value == 0
        assert found.extrapolated
    else:
        assert found.value == pytest.approx(expected, abs=1e-7)


@given(st.floats(5000, 50_000), st.floats(0, 34), st.floats(0, 5000))
def test_salinity_of_salt_water_is_that_of_teos_10_under_pressure_too(ec, temp, pressure):
    expected = float(gsw.SP_from_C(ec / 1000, temp, pressure))
    assume(expected < 42)
    assert practical_salinity(ec, temp, pressure).value == pytest.approx(expected, abs=1e-6)


@given(st.floats(0.01, 40), st.floats(0, 34))
def test_the_inverse_gives_back_the_salinity(salinity, temp):
    raw = conductivity_of_salinity(salinity, temp)
    assert practical_salinity(raw.value, temp).value == pytest.approx(salinity, abs=1e-9)


def test_without_the_extension_weak_waters_read_high_and_are_marked():
    plain = practical_salinity(100, 25, extension=False)
    assert plain.extrapolated
    assert plain.value / practical_salinity(100, 25).value == pytest.approx(1.12, abs=0.01)
    faint = practical_salinity(10, 25, extension=False).value
    assert faint / practical_salinity(10, 25).value > 3


def test_the_compensated_value_instead_of_the_raw_one_gives_another_salinity():
    raw, compensated = 500.0, 714.0  # one water at 10 °C, as measured and at 25 °C
    assert practical_salinity(compensated, 10).value > 1.4 * practical_salinity(raw, 10).value


def test_no_salt_is_no_salinity():
    assert practical_salinity(0.0, 20).value == pytest.approx(0.0, abs=1e-9)


def test_beyond_brine_it_is_refused():
    with pytest.raises(WaterError, match="practical salinity"):
        practical_salinity(150_000, 25)
    assert practical_salinity(60_000, 20).extrapolated


def test_ten_grams_in_a_kilogram_are_one_percent():
    assert percent_of_salinity(10.0) == 1.0
