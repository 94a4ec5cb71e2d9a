"""From a field of view to a millilitre."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import WaterError
from acquire.water.microscope import (
    concentration_in_chamber,
    concentration_in_film,
    field_area,
    field_diameter,
    film_depth,
    scaled_diameter,
)


@given(st.floats(5, 30), st.floats(2, 100))
def test_diameter_times_magnification_is_constant(field_number, objective):
    diameter = field_diameter(field_number, objective)
    doubled = scaled_diameter(diameter, magnification=objective, new_magnification=2 * objective)
    assert doubled == pytest.approx(diameter / 2)


def test_the_whole_drop_counted_is_the_count_over_its_volume():
    depth = film_depth(0.05, (22, 22))
    found = concentration_in_film(100, fields=1, area_mm2=22 * 22, depth_mm=depth)
    assert found == pytest.approx(100 / 0.05)


def test_a_chamber_is_a_film_of_known_depth_with_a_dilution():
    once = concentration_in_chamber(187, squares=5, square_mm2=0.04)
    assert once == pytest.approx(187 / (5 * 0.04 * 0.1) * 1000)
    assert concentration_in_chamber(187, squares=5, square_mm2=0.04, dilution=10) == 10 * once


def test_half_a_field_cannot_be_counted():
    with pytest.raises(WaterError, match="whole number"):
        concentration_in_film(10, fields=1.5, area_mm2=1, depth_mm=0.1)


def test_area_is_that_of_a_circle():
    assert field_area(2.0) == pytest.approx(3.14159, abs=1e-5)
