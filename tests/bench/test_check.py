"""A solution of known value at its measured temperature, as a right meter would show it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from acquire.bench.check import check_budget, check_capture, require_checkable
from acquire.bench.correct import propose
from acquire.bench.standard import allowed_error
from acquire.checks import Anchor, StandingCorrection
from acquire.errors import WaterError
from acquire.readings import Capture, CaptureState, Channel, Role, SettledValue, Stamp
from acquire.water.corrections import Correction
from acquire.water.solutions import built_in_solutions

SOLUTIONS = built_in_solutions()
STAMP = Stamp(1_790_000_000_000, 10**12)
PH = Channel("ph", 0.01, accuracy=0.05)
EC = Channel("conductivity", 1.0, accuracy_relative=0.02, reference_c=25.0, coefficient=0.02)
RAW_EC = Channel("conductivity", 1.0, accuracy_relative=0.02)
ORP = Channel("orp", 1.0, accuracy=10.0, reference_electrode="ag-agcl-3m")
TEMP = Channel("temperature", 0.1)
TDS = Channel("tds", 1.0, follows="conductivity")


def channels(*mine):
    return {channel.quantity: channel for channel in mine}


def settled(quantity, value, u=0.01, phase="settled"):
    budget = {"noise": u / 4, "resolution": u / 4, "remaining": u / 4}
    return SettledValue(quantity, value, u, phase, 0.0, 60.0, budget=budget)


def capture(**values):
    us = {"conductivity": 4.0, "orp": 1.0}
    kept = {name: settled(name, value, us.get(name, 0.01)) for name, value in values.items()}
    return Capture("c1", "kitchen", CaptureState.FINAL, STAMP, STAMP, kept, "check", Role.SOLUTION)


def one(solution, taken, *mine, **options):
    (check,) = check_capture(taken, SOLUTIONS[solution], channels(*mine), **options)
    return check


@pytest.mark.parametrize(
    ("temp_c", "expected", "source"),
    [
        (25.0, 1413.0, "US EPA method 120.1, table"),
        (20.0, 1278.0, "US EPA method 120.1; table of an instrument manual"),
        (21.0, 1305.0, "US EPA method 120.1, table"),
    ],
)
def test_an_uncompensated_meter_is_held_against_the_printed_value_at_the_measured_temperature(
    temp_c, expected, source
):
    check = one("kcl-1413", capture(conductivity=expected, temperature=temp_c), RAW_EC, TEMP)
    assert check.expected == pytest.approx(expected, abs=0.5), source
    assert check.verdict == "pass"
    assert (check.temp_c, check.temp_from) == (temp_c, "meter")


def test_a_compensating_meter_is_held_against_what_it_would_rightly_show():
    # 1278 µS/cm at 20 °C (EPA 120.1) over 1 + 0.02 (20 - 25) = 0.9
    check = one("kcl-1413", capture(conductivity=1420, temperature=20.0), EC, TEMP)
    assert check.expected == pytest.approx(1278 / 0.9, abs=0.5)
    assert "linear 2 %/°C to 25 °C" in check.method


def test_zobells_solution_is_held_against_the_meters_own_reference_electrode():
    # Standard Methods 2580: 428 mV against SHE at 25 °C; Ag/AgCl 3 mol/L is 207 mV there.
    check = one("zobell", capture(orp=221.0, temperature=25.0), ORP, TEMP)
    assert check.expected == pytest.approx(428 - 207, abs=0.5)
    bare = replace(ORP, reference_electrode=None)
    with pytest.raises(WaterError, match="reference electrode"):
        one("zobell", capture(orp=221.0, temperature=25.0), bare, TEMP)
    with pytest.raises(WaterError, match="reference electrode"):
        require_checkable(SOLUTIONS["zobell"], channels(bare, TEMP))


@pytest.mark.parametrize(
    ("said", "verdict"),
    [(7.0, "pass"), (7.02, "pass"), (7.05, "cannot tell"), (7.08, "fail"), (6.92, "fail")],
)
def test_a_buffer_passes_fails_or_cannot_be_told_by_what_lies_between(said, verdict):
    # technical buffer 7.00 ± 0.02 at 25 °C, the settling ± 0.01: U = 0.022, allowed ± 0.05
    check = one("buffer-7.00", capture(ph=said, temperature=25.0), PH, TEMP)
    assert check.verdict == verdict
    assert check.bias == pytest.approx(said - 7.0, abs=0.003)
    assert "allowed ±0.05 (the maker's accuracy" in check.reason
    assert check.resembles == ""


def test_without_a_makers_accuracy_the_published_acceptance_holds_and_is_named():
    assert allowed_error(replace(PH, accuracy=0.0), 7.0)[0] == 0.05  # USGS NFM A6.4
    bare = Channel("conductivity", 1.0)
    assert allowed_error(bare, 84.0)[0] == 5.0  # USGS NFM A6.3, 3.0: 5 µS/cm at or below 100
    assert allowed_error(bare, 1413.0)[0] == pytest.approx(42.39)  # and 3 % above
    assert all("USGS" in allowed_error(c, 500.0)[1] for c in (bare, replace(PH, accuracy=0.0)))


def test_where_nobody_says_what_is_allowed_the_bias_is_told_and_no_verdict_made_up():
    bare = replace(ORP, accuracy=0.0)
    check = one("zobell", capture(orp=231.0, temperature=25.0), bare, TEMP)
    assert check.verdict == "cannot tell"
    assert check.allowed is None
    assert "+10" in check.reason
    assert "accuracy" in check.reason


def test_a_wrong_bottle_is_named():
    taken = capture(ph=4.01, temperature=21.0)
    check = one("buffer-7.00", taken, PH, TEMP, solutions=SOLUTIONS)
    assert check.verdict == "fail"
    assert set(check.resembles.split(", ")) == {"buffer-4.01", "phthalate"}
    assert "was it the right bottle?" in check.reason
    slightly = one("buffer-7.00", capture(ph=6.9, temperature=25.0), PH, TEMP, solutions=SOLUTIONS)
    # 6.865 is the phosphate of the other family: nearer, but not so clearly that it is named
    assert (slightly.verdict, slightly.resembles) == ("fail", "")


def test_without_a_temperature_it_says_what_to_do_and_a_typed_one_does():
    taken = capture(ph=7.0)
    for ask in (
        lambda: one("buffer-7.00", taken, PH),
        lambda: require_checkable(SOLUTIONS["buffer-7.00"], channels(PH)),
    ):
        with pytest.raises(WaterError, match="--temperature"):
            ask()
    moving = replace(
        taken, values={**taken.values, "temperature": settled("temperature", 20, phase="moving")}
    )
    with pytest.raises(WaterError, match="--temperature"):
        one("buffer-7.00", moving, PH, TEMP)
    check = one("buffer-7.00", taken, PH, temperature_c=25.0)
    assert (check.verdict, check.temp_from) == ("pass", "typed")
    require_checkable(SOLUTIONS["buffer-7.00"], channels(PH), temperature_c=25.0)


def test_a_doubtful_temperature_makes_a_raw_conductivity_doubtful_and_a_compensated_one_hardly():
    taken = capture(conductivity=1413, temperature=25.0)
    typed = one("kcl-1413", taken, RAW_EC, TEMP, temperature_c=25.0)
    measured = one("kcl-1413", taken, RAW_EC, TEMP)
    compensated = one("kcl-1413", taken, EC, TEMP, temperature_c=25.0)
    assert measured.expected_u == pytest.approx(14.13, abs=0.1)  # the solution's 1 % alone
    # half a degree of 1.9 %/°C is 13.7 µS/cm
    assert typed.expected_u == pytest.approx((14.13**2 + 13.9**2) ** 0.5, abs=0.5)
    assert compensated.expected_u < 14.3


def test_a_meter_that_does_not_measure_it_is_told_before_anybody_waits():
    with pytest.raises(WaterError, match=r"is for conductivity, which this meter does not"):
        require_checkable(SOLUTIONS["kcl-1413"], channels(PH, TEMP))
    with pytest.raises(WaterError, match="none of it settled"):
        one("kcl-1413", capture(ph=7.0, temperature=25.0), PH, TEMP)


def test_with_a_correction_in_force_the_verdict_is_about_the_corrected_value():
    line = StandingCorrection(
        "kitchen", "ph", Correction(-0.1), (Anchor(7.1, 7.0, 0.011, "c0"),), 0
    )
    taken = capture(ph=7.1, temperature=25.0)
    assert one("buffer-7.00", taken, PH, TEMP).verdict == "fail"
    check = one("buffer-7.00", taken, PH, TEMP, corrections={"ph": line})
    assert check.verdict == "pass"
    assert check.said == 7.1  # the meter's own stays
    assert check.bias == pytest.approx(0.1, abs=0.003)
    assert check.corrected == pytest.approx(7.0)
    assert check.corrected_u == pytest.approx((0.01**2 + 0.022**2) ** 0.5)
    assert "the meter itself said 7.1" in check.reason


def test_a_value_beyond_the_range_of_its_source_is_said_to_be_so():
    check = one("kcl-1413", capture(conductivity=1150, temperature=15.0), RAW_EC, TEMP)
    assert "extrapolated" in check.reason


def test_the_budget_of_a_check_adds_the_solution_to_the_settling():
    taken = capture(ph=7.0, temperature=25.0)
    check = one("buffer-7.00", taken, PH, TEMP)
    budget = check_budget(check, taken.values["ph"])
    assert [part.name for part in budget.components] == [
        "noise", "resolution", "remaining", "solution, at its temperature"
    ]  # fmt: skip
    assert budget.components[-1].u == pytest.approx(0.01, rel=0.01)


@pytest.mark.parametrize(
    ("said", "temp_c", "channel", "told"),
    [
        # 1413 at 25 °C is 1151 at 15 °C (2 %/°C); once compensated a meter shows about 1413,
        (1130.0, 15.0, EC, "not compensated"),  # and 1130 when it does not compensate,
        (1766.0, 15.0, EC, "twice"),  # 1413 / 0.8 when it does so twice
        (1413.0, 15.0, RAW_EC, "compensated_to_c"),
        (1300.0, 24.0, EC, ""),  # too near 25 °C to tell
    ],
)
def test_a_standard_away_from_25_degrees_shows_a_compensation_done_otherwise(
    said, temp_c, channel, told
):
    check = one("kcl-1413", capture(conductivity=said, temperature=temp_c), channel, TEMP)
    assert check.verdict == "fail"
    assert told in check.reason
    assert bool(told) == any(word in check.reason for word in ("compensated", "compensates"))


@pytest.mark.parametrize(("ph", "verdict"), [(7.47, "fail"), (7.01, "cannot tell")])
def test_a_tap_water_in_the_place_of_a_buffer_passes_no_check_and_makes_no_correction(ph, verdict):
    """Whatever its pH: it conducts too little for a buffer."""
    taken = capture(ph=ph, conductivity=764.0, temperature=22.0)
    check = one("buffer-7.00", taken, PH, EC, TEMP)
    assert (check.verdict, check.resembles) == (verdict, "a water")
    assert (
        "conductivity 764 where above 1900 µS/cm is due: this is hardly Technical" in check.reason
    )
    with pytest.raises(WaterError, match=r"looks like a water, not in buffer-7\.00"):
        propose([check], now_ms=check.at_ms)


@pytest.mark.parametrize("mine", [(PH, TEMP), (PH, EC, TEMP)])
def test_a_worn_probe_in_its_buffer_fails_and_can_be_corrected(mine):
    check = one("buffer-7.00", capture(ph=7.4, conductivity=6100.0, temperature=22.0), *mine)
    assert (check.verdict, check.resembles) == ("fail", "")
    assert propose([check], now_ms=check.at_ms).quantity == "ph"


def test_what_a_tds_meter_shows_tells_as_well():
    weak = one("buffer-7.00", capture(ph=7.0, tds=380.0, temperature=22.0), PH, TDS, TEMP)
    assert "TDS 380 where above 950 mg/L is due" in weak.reason
    assert (
        one("buffer-7.00", capture(ph=7.0, tds=999.0, temperature=22.0), PH, TDS, TEMP).verdict
        == "pass"
    )
