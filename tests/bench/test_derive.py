"""What follows from a capture, beside what the meter said."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.bench.derive import corrected, derive
from acquire.checks import Anchor, StandingCorrection, in_force
from acquire.readings import Channel, SettledValue
from acquire.water.corrections import Correction

RAW = Channel("conductivity", 1.0)
AT_25 = Channel("conductivity", 1.0, reference_c=25.0, coefficient=0.02)
TEMP = Channel("temperature", 0.1, accuracy=0.5)
TDS = Channel("tds", 1.0, follows="conductivity")


def settled(quantity, value, u=0.02, phase="settled"):
    return SettledValue(quantity, value, u, phase, 0.1, 60.0, budget={"noise": u / 2})


def made(values, *channels, corrections=None):
    by_name = {channel.quantity: channel for channel in channels}
    return derive({v.quantity: v for v in values}, by_name, corrections)


def standing(quantity, line, *anchors):
    return StandingCorrection("kitchen", quantity, line, anchors, 0)


def test_tds_is_derived_where_the_meter_gives_none_and_left_alone_where_it_does():
    (tds,) = made([settled("conductivity", 500.0, 5.0)], AT_25).values()
    assert (tds.quantity, tds.value, tds.expanded_u) == ("tds", 250.0, 2.5)
    assert tds.source == "derived"
    assert "k = 0.5" in tds.method
    assert "nacl" in tds.method
    assert made([settled("conductivity", 500.0), settled("tds", 320.0)], AT_25, TDS) == {}


def test_a_raw_conductivity_is_carried_to_25_degrees_by_the_printed_factor():
    # ISO 7888:1985, table: f25 at 20 °C is 1.116, as the standard's own quotient says
    found = made([settled("conductivity", 400.0, 4.0), settled("temperature", 20.0)], RAW, TEMP)
    assert found["conductivity"].value == pytest.approx(400 * 1.116, rel=1e-3)
    assert "ISO 7888" in found["conductivity"].method
    assert found["tds"].value == pytest.approx(200 * 1.116, rel=1e-3)
    budget = found["conductivity"].budget
    # 0.5 °C of accuracy as a rectangle is 0.29 °C, of some 2.2 %/°C near 20 °C
    assert budget["temperature"] == pytest.approx(446 * 0.022 * 0.29, rel=0.1)
    assert budget["compensation"] > 0
    assert found["conductivity"].expanded_u > 4.0 * 1.116


@pytest.mark.parametrize(
    ("values", "channel"),
    [
        ([settled("conductivity", 400.0)], RAW),  # no temperature
        ([settled("conductivity", 400.0), settled("temperature", 20, phase="moving")], RAW),
        ([settled("conductivity", 400.0, phase="settling"), settled("temperature", 20)], RAW),
        # compensated to 20 °C by a rule nobody knows: it cannot be undone
        (
            [settled("conductivity", 400.0), settled("temperature", 20)],
            Channel("conductivity", 1.0, reference_c=20.0),
        ),
        ([settled("conductivity", 400.0), settled("temperature", 99.0)], RAW),
    ],
)
def test_where_it_cannot_be_known_nothing_is_derived(values, channel):
    assert made(values, channel, TEMP) == {}


def test_water_too_pure_for_the_formula_is_carried_and_marked():
    found = made([settled("conductivity", 10.0), settled("temperature", 20.0)], RAW, TEMP)
    assert "outside the range of its source" in found["conductivity"].method


def test_a_correction_stands_beside_the_value_with_the_checks_uncertainty():
    line = standing("ph", Correction(-0.05), Anchor(7.05, 7.0, 0.012, "c1"))
    value = settled("ph", 7.55, 0.02)
    found = made([value], Channel("ph", 0.01), corrections={"ph": line})["ph"]
    assert found.value == pytest.approx(7.5)
    assert found.method == "corrected by -0.05 (check c1)"
    assert found.expanded_u == pytest.approx(math.hypot(0.02, 0.024))
    assert found.budget == {"noise": 0.01, "check": 0.012}


def test_between_two_checks_the_line_is_surest_and_beyond_them_it_grows_unsure():
    line = standing(
        "ph", Correction(0.0, 1.02, 7.0), Anchor(4.06, 4.0, 0.01), Anchor(7.0, 7.0, 0.01)
    )
    assert line.u_at(4.06) == pytest.approx(0.01)
    assert line.u_at(5.5) == pytest.approx(0.01 * math.sqrt(0.5), rel=0.02)
    assert line.u_at(10.0) > 0.02


def test_what_a_meter_computes_from_a_corrected_conductivity_follows_it():
    line = standing(
        "conductivity", Correction(0.0, 1.1), Anchor(0, 0, 0), Anchor(1000.0, 1100.0, 10.0, "c1")
    )
    values = [settled("conductivity", 500.0), settled("tds", 320.0, 1.0)]
    found = made(values, AT_25, TDS, corrections={"conductivity": line})
    assert found["conductivity"].value == pytest.approx(550.0)
    assert found["conductivity"].budget["check"] == pytest.approx(5.0)
    assert found["tds"].value == pytest.approx(352.0)
    assert found["tds"].budget["check"] == pytest.approx(3.2, rel=0.01)
    assert "x 1.1" in found["tds"].method


def test_the_chain_is_corrected_then_25_degrees_then_tds_and_says_so():
    line = standing(
        "conductivity", Correction(0.0, 1.1), Anchor(0, 0, 0), Anchor(10, 11, 0.1, "c1")
    )
    values = [settled("conductivity", 400.0), settled("temperature", 20.0)]
    found = made(values, RAW, TEMP, corrections={"conductivity": line})
    assert found["tds"].value == pytest.approx(0.5 * 440 * 1.116, rel=1e-3)
    assert found["tds"].method.index("corrected by") < found["tds"].method.index("ISO 7888")
    assert found["tds"].method.index("ISO 7888") < found["tds"].method.index("TDS = k EC25")


numbers = st.floats(0, 2000)


@given(numbers, st.floats(0.0, 50.0), st.floats(-1, 1), st.floats(0.5, 2))
def test_whatever_is_said_the_derived_is_finite_and_no_surer(value, temp, offset, gain):
    line = standing("conductivity", Correction(offset, gain), Anchor(0, 0, 0), Anchor(100, 105, 1))
    said = settled("conductivity", value, 1.0)
    found = made(
        [said, settled("temperature", temp)], RAW, TEMP, corrections={"conductivity": line}
    )
    for one in found.values():
        assert math.isfinite(one.value)
        assert math.isfinite(one.expanded_u)
        assert one.source == "derived"
    assert corrected(said, line).expanded_u >= gain * 1.0 - 1e-9


def test_the_latest_correction_that_was_not_undone_holds():
    old, new = standing("ph", Correction(0.1)), standing("ph", Correction(0.2))
    undone = StandingCorrection("kitchen", "ph", Correction(0.3), (), 0, undone_ms=5)
    assert in_force([old, new, undone]) == {"ph": new}
    assert in_force([]) == {}
