"""What a water is expected to read, and how far from it some values are."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.bench.likeness import (
    are_apart,
    from_captures,
    from_plan,
    from_solution,
    how_far,
    pure,
)
from acquire.readings import Capture, CaptureState, Channel, SettledValue, Stamp
from acquire.water.solutions import built_in_solutions

AT = Stamp(1_790_000_000_000, 0)
PH, EC, TDS = Channel("ph", 0.01), Channel("conductivity", 1.0), Channel("tds", 1.0)


def capture(**values):
    said = {q: SettledValue(q, v, 0.02, "settled", 0.0, 40.0) for q, v in values.items()}
    return Capture("c", "kitchen", CaptureState.FINAL, AT, AT, said, "tap")


def test_the_farthest_quantity_is_the_distance_and_is_named_with_both_numbers():
    known = from_plan({"conductivity": (400.0, 600.0), "ph": (7.0, 8.0), "salinity": (0.1, 0.3)})
    assert known.distance({"conductivity": 600.0, "ph": 7.5}) == 1.0
    assert known.distance({"conductivity": 500.0, "ph": 9.0}) == 3.0
    assert known.told({"conductivity": 500.0, "ph": 9.0}) == "pH 9 where about 7.5 was expected"
    assert known.told({"salinity": 0.9}).startswith("salinity 0.9")
    assert known.distance({"orp": 300.0}) is None
    assert known.told({"orp": 300.0}) == ""
    assert from_plan({}) is None


@pytest.mark.parametrize(
    ("one", "other", "apart"),
    [
        ({"conductivity": 14.0, "ph": 6.2}, {"conductivity": 15.4, "ph": 6.25}, False),
        ({"conductivity": 14.0}, {"conductivity": 15.7}, True),
        ({"conductivity": 480.0, "orp": 560.0}, {"conductivity": 490.0, "orp": 620.0}, False),
        (
            {"conductivity": 2.0, "temperature": 21.9},
            {"conductivity": 2.0, "temperature": 22.9},
            False,
        ),
        (
            {"conductivity": 2.0, "orp": 196.0, "temperature": 21.9},
            {"conductivity": 2.0, "orp": 243.0, "temperature": 21.4},
            True,
        ),
        ({"tds": 7.0, "ph": 6.2}, {"tds": 7.3, "ph": 6.3}, False),
        ({"ph": 6.2}, {"orp": 300.0}, False),
    ],
)
def test_repeats_of_one_glass_are_near_in_all_and_those_of_two_a_little_off_in_several(
    one, other, apart
):
    assert are_apart(capture(**one), capture(**other)) is apart


def test_a_glass_that_was_warming_may_be_warmer_when_it_is_read_again():
    cold, warm = capture(temperature=10.0, orp=200.0), capture(temperature=12.0, orp=230.0)
    assert are_apart(cold, warm)
    later = replace(warm, taken=replace(AT, mono_ns=240 * 10**9))
    rising = replace(cold.values["temperature"], drift_per_min=0.4)
    assert not are_apart(replace(cold, values={**cold.values, "temperature": rising}), later)


@pytest.mark.parametrize(
    ("one", "other", "far"),
    [
        ({"conductivity": 14.0, "ph": 6.20, "orp": 220.0}, {"ph": 6.56, "orp": 320.0}, 5.0),
        ({"conductivity": 480.0, "ph": 7.6}, {"conductivity": 480.0, "ph": 7.68}, 1.0),
        (
            {"conductivity": 5.0, "temperature": 20.0},
            {"conductivity": 9.0, "temperature": 20.6},
            2.0,
        ),
        ({"tds": 5.0}, {"tds": 9.0}, 0.0),
        ({"ph": 6.2}, {"orp": 220.0}, 0.0),
    ],
)
def test_how_far_two_captures_are_apart_counts_all_but_what_drops_change(one, other, far):
    assert how_far(capture(**one), capture(**other)) == pytest.approx(far)


@given(*[st.floats(4.0, 10.0)] * 2, *[st.floats(-200.0, 700.0)] * 2)
def test_it_is_as_far_there_as_back(ph, other_ph, orp, other_orp):
    one, other = capture(ph=ph, orp=orp), capture(ph=other_ph, orp=other_orp)
    assert how_far(one, other) == how_far(other, one) >= 0.0
    assert how_far(one, one) == 0.0


@given(st.floats(-1e4, 1e4), st.floats(0.0, 1e4), st.floats(0.0, 1.0))
def test_whatever_lies_in_a_planned_range_is_as_expected(low, width, part):
    known = from_plan({"conductivity": (low, low + width)})
    assert known.distance({"conductivity": low + part * width}) <= 1.0 + 1e-6


def test_three_days_say_more_than_two():
    days = [capture(conductivity=said) for said in (0.7, 1.5, 0.2)]
    assert from_captures(days[:2], this_round=False).distance({"conductivity": 8.0}) < 1.0
    assert from_captures(days, this_round=False).distance({"conductivity": 8.0}) > 1.0


def test_orp_is_compared_only_within_a_round_and_tds_only_without_conductivity():
    past = [capture(orp=300.0, conductivity=20.0, tds=10.0, ph=6.0)]
    assert set(from_captures(past, this_round=False).middles) == {"conductivity", "ph"}
    here = from_captures(past, this_round=True)
    assert set(here.middles) == {"conductivity", "ph", "orp"}
    # A thin water says less: its electrodes wander farther.
    strong = from_captures([capture(orp=300.0, conductivity=500.0, ph=7.5)], this_round=True)
    assert here.margins["orp"] > strong.margins["orp"]
    assert here.margins["ph"] > strong.margins["ph"]
    assert set(from_captures([capture(tds=10.0)], this_round=True).middles) == {"tds"}
    assert from_captures([capture(orp=300.0)], this_round=False) is None
    assert from_captures([], this_round=True) is None


def test_captures_that_scatter_widen_what_is_expected():
    calm = from_captures([capture(conductivity=v) for v in (500, 501, 502)], this_round=False)
    wild = from_captures([capture(conductivity=v) for v in (300, 500, 700)], this_round=False)
    assert calm.middles == {"conductivity": 501}
    assert calm.known_from == "its last 3 captures"
    assert wild.margins["conductivity"] > 2 * calm.margins["conductivity"]


def test_a_solution_is_expected_where_the_meter_can_see_its_value():
    buffer = built_in_solutions()["buffer-7.00"]
    known = from_solution(buffer, (PH, TDS))
    assert known.middles["ph"] == pytest.approx(7.0, abs=0.05)
    assert set(known.middles) == {"ph"}
    assert known.floors == {"tds": 950.0}
    soda = from_solution(built_in_solutions()["baking-soda"], (PH, EC))
    assert soda.distance({"ph": 8.0, "conductivity": 1999.0}) < 1.0  # where the display ends
    assert from_solution(buffer, (TDS,)) is None
    assert from_solution(buffer, (EC,)) is None


def test_an_unknown_rinse_is_taken_for_nearly_pure_by_what_the_meter_has():
    assert pure((PH, EC, TDS)).distance({"conductivity": 60.0}) == 1.0
    assert pure((PH, TDS)).distance({"tds": 30.0}) == 1.0
    assert pure((PH,)) is None
