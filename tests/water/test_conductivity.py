"""Conductivity against temperature, and nothing compensated twice."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import WaterError
from acquire.readings import Channel
from acquire.water.conductivity import (
    NATURAL_25,
    RAW,
    Compensation,
    alpha_at,
    alpha_between,
    compensation_of,
    interlaboratory,
    iso7888_factor,
    linear_factor,
    recompensate,
    to_raw,
    to_reference,
)

METER = Compensation("linear", 25.0, 0.02)
temps = st.floats(0.0, 35.0)
levels = st.floats(1.0, 5000.0)


def test_the_whole_table_of_iso_7888_is_met_within_its_last_digit():
    # ISO 7888:1985, correction factors f25 for natural water, whole degrees from 0 °C; the lines
    # that stand in the check values are held there, these are quoted from memory.
    table = {0: 1.918, 3: 1.745, 7: 1.551, 12: 1.354, 13: 1.320, 16: 1.225, 18: 1.168, 22: 1.067}
    for temp, factor in table.items():
        assert iso7888_factor(temp).value == pytest.approx(factor, abs=0.0015)


def test_colder_water_is_corrected_up_and_warmer_down():
    assert to_reference(400, 10, NATURAL_25).value > 400
    assert to_reference(400, 30, NATURAL_25).value < 400
    assert to_reference(400, 10, METER).value > 400


@given(levels, temps, st.sampled_from([METER, NATURAL_25, Compensation("iso7888", 20.0)]))
def test_undoing_gives_back_what_was_measured(ec, temp, compensation):
    shown = to_reference(ec, temp, compensation).value
    assert to_raw(shown, temp, compensation).value == pytest.approx(ec, rel=1e-12)


@given(levels, temps)
def test_redoing_with_a_right_coefficient_is_the_same_as_never_having_used_the_wrong_one(ec, temp):
    wrong, right = Compensation("linear", 25.0, 0.025), Compensation("linear", 25.0, 0.0191)
    shown = to_reference(ec, temp, wrong).value
    redone = recompensate(shown, temp, said=wrong, wanted=right)
    assert redone.value == pytest.approx(to_reference(ec, temp, right).value, rel=1e-12)


def test_a_value_already_as_wanted_is_left_alone_and_needs_no_temperature():
    assert recompensate(512, None, said=METER, wanted=METER).value == 512


def test_a_meter_that_compensates_is_not_compensated_again():
    raw = 400.0
    shown = to_reference(raw, 15, METER).value
    once = recompensate(shown, 15, said=METER, wanted=NATURAL_25).value
    assert once == pytest.approx(to_reference(raw, 15, NATURAL_25).value)
    assert once < to_reference(shown, 15, NATURAL_25).value


def test_the_profile_tells_what_the_meter_has_done():
    def channel(**more):
        return Channel("conductivity", 1.0, **more)

    assert compensation_of(channel()) == RAW
    assert compensation_of(channel(reference_c=25.0, coefficient=0.02)) == METER
    unknown = compensation_of(channel(reference_c=25.0))
    with pytest.raises(WaterError, match="set `coefficient`"):
        to_raw(500, 15, unknown)


def test_a_coefficient_given_in_percent_is_refused_with_the_form_that_is_wanted():
    with pytest.raises(WaterError, match=r"0\.02 for 2 %/°C"):
        Compensation("linear", 25.0, 2.0)


def test_the_same_straight_line_has_another_coefficient_at_another_reference():
    at_20 = alpha_at(0.02, reference_c=25, new_reference_c=20)
    assert at_20 == pytest.approx(0.02 / 0.9)
    ec_25, ec_20 = 500.0, 450.0
    assert linear_factor(10, alpha=0.02, reference_c=25) * 350 == pytest.approx(ec_25)
    assert linear_factor(10, alpha=at_20, reference_c=20) * 350 == pytest.approx(ec_20)


def test_outside_its_waters_and_temperatures_iso_7888_is_marked():
    assert not to_reference(300, 10, NATURAL_25).extrapolated
    assert to_reference(8, 10, NATURAL_25).extrapolated
    assert to_reference(3000, 10, NATURAL_25).extrapolated
    assert to_reference(300, 38, NATURAL_25).extrapolated
    with pytest.raises(WaterError, match=r"needed -0\.5 to 50 °C"):
        to_reference(300, 60, NATURAL_25)


def test_a_linear_compensation_that_leaves_nothing_is_refused():
    with pytest.raises(WaterError, match="leaves no conductivity"):
        linear_factor(-2, alpha=0.05, reference_c=25)


def test_a_standard_of_1413_is_misread_by_natural_water_compensation_away_from_25():
    # Its raw value at 20 °C is 1278 µS/cm; a meter with f25 shows 1426 (common practice, no source).
    assert to_reference(1278, 20, NATURAL_25).value == pytest.approx(1426, abs=2)


@given(st.floats(0.01, 0.03), st.floats(1, 35).filter(lambda t: abs(t - 25) > 1))
def test_a_coefficient_is_found_again_from_two_readings(alpha, temp):
    ec = 1000 * (1 + alpha * (temp - 25))
    assert alpha_between(1000, ec, temp) == pytest.approx(alpha, rel=1e-9)


def test_two_equal_temperatures_give_no_coefficient():
    with pytest.raises(WaterError, match="two different temperatures"):
        alpha_between(1000, 1000, 25.0)


def test_what_laboratories_achieve_is_marked_outside_the_levels_of_the_trial():
    sd, bias, marked = interlaboratory(400)
    assert 8.14 < sd < 66.1
    assert -3.63 < bias < -0.76
    assert not marked
    assert interlaboratory(10)[2]
