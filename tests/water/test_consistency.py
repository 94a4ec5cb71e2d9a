"""Do the numbers of one capture belong together, and does the meter behave?"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import WaterError
from acquire.readings import Channel
from acquire.water.behaviour import compensation_seen, compensation_seen_in_standard, stuck
from acquire.water.conductivity import Compensation, to_reference
from acquire.water.consistency import (
    consistency,
    gravity_agrees,
    low_conductivity_ph,
    salinity_agrees,
    tds_agrees,
)
from acquire.water.dissolved_solids import NACL_FACTOR, TdsFactor

METER = Compensation("linear", 25.0, 0.02)
CHANNELS = {
    "conductivity": Channel("conductivity", 1.0, reference_c=25.0, coefficient=0.02),
    "tds": Channel("tds", 1.0, follows="conductivity"),
    "salinity": Channel("salinity", 0.1, follows="conductivity"),
    "specific_gravity": Channel("specific_gravity", 0.001, follows="conductivity"),
    "temperature": Channel("temperature", 0.1),
    "ph": Channel("ph", 0.01),
}
TAP = {
    "conductivity": 512.0, "tds": 256.0, "salinity": 0.3, "specific_gravity": 1.0,
    "temperature": 21.4, "ph": 7.4,
}  # fmt: skip


def test_a_meter_in_order_agrees_with_itself():
    found = consistency(TAP, CHANNELS, factor=NACL_FACTOR)
    assert [one.about for one in found] == ["tds", "salinity", "specific_gravity"]
    assert all(one.kind == "agrees" for one in found)
    assert all(one.arithmetic for one in found)


@pytest.mark.parametrize(
    ("quantity", "wrong"), [("tds", 358.0), ("salinity", 1.2), ("specific_gravity", 1.025)]
)
def test_one_wrong_number_is_found_and_named(quantity, wrong):
    found = consistency({**TAP, quantity: wrong}, CHANNELS, factor=NACL_FACTOR)
    assert [one.about for one in found if one.kind == "disagrees"] == [quantity]


@given(st.integers(20, 20_000), st.floats(0.45, 0.9))
def test_rounding_alone_is_never_called_a_disagreement(ec, k):
    factor = TdsFactor(k)
    shown = round(k * (ec + 0.49))
    found = tds_agrees(shown, ec, tds_step=1, ec_step=1, factor=factor)
    assert found.kind == "agrees"


@given(st.integers(100, 5000), st.floats(0.45, 0.9))
def test_a_tds_ten_percent_off_is_seen(ec, k):
    found = tds_agrees(round(1.1 * k * ec + 2), ec, tds_step=1, ec_step=1, factor=TdsFactor(k))
    assert found.kind == "disagrees"


def test_without_a_factor_the_one_in_use_is_told():
    assert "0.50" in tds_agrees(256, 512, tds_step=1, ec_step=1).text
    assert tds_agrees(2560, 512, tds_step=1, ec_step=1).kind == "disagrees"
    assert "Too little" in tds_agrees(0, 0, tds_step=1, ec_step=1).text


def test_salinity_names_the_convention_that_fits():
    found = salinity_agrees(0.25, 512, step=0.01, ec_raw_us_cm=475, temp_c=21.4)
    assert "NaCl-equivalent" in found.text
    assert "PSS-78" in found.arithmetic


def test_specific_gravity_of_any_usual_convention_is_accepted():
    for shown in (1.0, 0.999, 0.997):
        assert gravity_agrees(shown, 300, 25.0).kind == "agrees"
    assert gravity_agrees(0.95, 300, 25.0).kind == "disagrees"
    assert "nothing more" in gravity_agrees(1.0, 300, 25.0).text


def test_ph_of_very_pure_water_is_flagged_and_of_tap_water_not():
    flagged = low_conductivity_ph(12)
    assert flagged is not None
    assert "12 µS/cm is below 100" in flagged.arithmetic
    assert low_conductivity_ph(100) is None
    kinds = [one.about for one in consistency({**TAP, "conductivity": 12.0}, CHANNELS)]
    assert "ph" in kinds


def test_a_profile_without_a_reference_is_not_compared():
    channels = {**CHANNELS, "conductivity": Channel("conductivity", 1.0)}
    (note,) = consistency(TAP, channels)
    assert note.kind == "note"
    assert consistency({"ph": 7.0}, CHANNELS) == ()


@pytest.mark.parametrize(("times", "says"), [(0, "not compensated"), (1, "once"), (2, "twice")])
@given(warm=st.floats(24, 34), cold=st.floats(6, 20))
def test_how_often_a_meter_compensates_is_seen_from_one_water_at_two_temperatures(
    times, says, warm, cold
):
    def shown(temp):
        value = 500 * (1 + 0.02 * (temp - 25))
        for _ in range(times):
            value = to_reference(value, temp, METER).value
        return value, temp

    assert says in compensation_seen(shown(cold), shown(warm)).text


def test_the_same_is_seen_in_one_standard_away_from_25_degrees():
    def text(shown):
        return compensation_seen_in_standard(shown, 15.0, standard_25_us_cm=1413).text

    assert "once" in text(1420)
    assert "not compensated" in text(1147)
    assert "twice" in text(1413 / 0.8)
    assert "another water" in text(3000)
    with pytest.raises(WaterError, match="5 °C or more from 25"):
        compensation_seen_in_standard(1413, 24.0, standard_25_us_cm=1413)
    with pytest.raises(WaterError, match="3 °C apart"):
        compensation_seen((500, 20), (505, 21))


def test_a_value_that_never_moves_while_others_do_is_called_stuck():
    rising = [400 + n for n in range(40)]
    series = {"conductivity": rising, "ph": [7.01] * 40, "temperature": [20.0, 20.1] * 20}
    steps = {"conductivity": 1.0, "ph": 0.01, "temperature": 0.1}
    (found,) = stuck(series, steps)
    assert found.about == "ph"
    assert "conductivity moved" in found.text
    assert stuck({"ph": [7.01] * 40}, steps) == ()
    assert stuck({name: values[:10] for name, values in series.items()}, steps) == ()
