"""What the checks of months say of a meter."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import pytest

from acquire.bench.correct import propose
from acquire.bench.meter_state import DAY_MS, drift_of, electrode_of, meter_state
from acquire.checks import Check, StandingCorrection
from acquire.errors import WaterError
from acquire.water.corrections import Correction

START = 1_790_000_000_000
HOUR_MS = 3_600_000


def check(said, day=0.0, expected=7.0, solution="buffer-7.00", verdict="pass", **changes):
    made = Check(
        capture_id=f"d{day:g}", meter="kitchen", quantity="ph", at_ms=START + round(day * DAY_MS),
        solution=solution, label=f"Buffer {solution}", source="", method="", temp_c=25.0,
        temp_from="meter", said=said, said_u=0.02, expected=expected, expected_u=0.02, allowed=0.05,
        allowed_by="the maker", verdict=verdict, reason="",
    )  # fmt: skip
    return replace(made, **changes)


def state(*checks, corrections=(), day=0.0, every_days=30):
    return meter_state(
        "kitchen", checks, corrections, every_days=every_days, now_ms=START + round(day * DAY_MS)
    )


def test_a_pass_holds_for_the_interval_and_no_longer():
    (ph,) = state(check(7.0), day=29).quantities
    assert ph.is_good
    assert ph.good_until_ms == START + 30 * DAY_MS
    (ph,) = state(check(7.0), day=31).quantities
    assert not ph.is_good
    assert "older than 30 days" in ph.reason


def test_a_failure_after_or_in_the_same_session_as_the_pass_voids_it():
    failed = check(7.1, day=5, verdict="fail")
    assert not state(check(7.0), failed).quantities[0].is_good
    four = check(4.2, day=4.8, expected=4.0, solution="buffer-4.01", verdict="fail")
    (ph,) = state(four, check(7.0, day=5)).quantities
    assert not ph.is_good  # passing at 7 does not make good what failed at 4 an hour before
    assert "buffer-4.01" in ph.reason
    (ph,) = state(failed, check(7.0, day=9)).quantities
    assert ph.is_good


def test_what_cannot_be_told_neither_makes_good_nor_voids():
    (ph,) = state(check(7.04, verdict="cannot tell")).quantities
    assert (ph.is_good, ph.good_until_ms) == (False, None)
    (ph,) = state(check(7.0), check(7.04, day=3, verdict="cannot tell"), day=4).quantities
    assert ph.is_good


def test_checks_of_another_meter_and_of_a_wrong_bottle_do_not_count():
    wrong = check(4.0, day=2, verdict="fail", resembles="buffer-4.01")
    (ph,) = state(check(7.0), wrong, check(3.0, meter="cellar", verdict="fail")).quantities
    assert ph.is_good
    (solution,) = ph.solutions
    assert (len(solution.checks), solution.mistaken) == (1, 1)
    assert solution.chart is None


def test_drift_per_month_by_two_checks_by_three_and_not_by_a_few_days():
    assert drift_of([check(7.0)]) is None
    assert drift_of([check(7.0), check(7.1, day=3)]) is None
    two = drift_of([check(7.0), check(7.02, day=60)])
    assert two.per_month == pytest.approx(0.01)
    assert two.low is None
    # one bad check of five moves the Theil-Sen slope not at all
    five = [check(7.0 + 0.001 * d + (0.3 if d == 40 else 0), day=d) for d in (0, 20, 40, 60, 80)]
    found = drift_of(five)
    assert found.per_month == pytest.approx(0.03)
    assert found.low <= 0.03 <= found.high
    assert (found.checks, found.days) == (5, 80)


def test_each_solution_has_a_chart_of_its_biases_and_what_lies_outside_is_named():
    # NIST/SEMATECH e-Handbook 6.3.2.2: mean ± 2.66 times the mean moving range
    biases = [0.00, 0.01, 0.00, 0.01, 0.00, 0.01, 0.00, 0.10]
    checks = [check(7.0 + b, day=d) for d, b in enumerate(biases)]
    (solution,) = state(*checks).quantities[0].solutions
    moving = [abs(b - a) for a, b in itertools.pairwise(biases)]
    mean, wide = math.fsum(biases) / 8, 2.66 * math.fsum(moving) / 7
    assert solution.chart.upper == pytest.approx(mean + wide, rel=1e-3)
    assert solution.chart.outside == (7,)


def test_two_buffers_of_one_session_give_slope_and_offset():
    # A meter that shows 7.03 in 7.00 and 4.15 in 4.00: 2.88 over 3.00 is 96.0 % of Nernst;
    # the offset is -59.16 mV x 0.03 at 25 °C.
    seven = check(7.03)
    four = check(4.15, day=0.1, expected=4.0, solution="buffer-4.01")
    found = electrode_of([seven, four])
    assert found.electrode.slope_percent == pytest.approx(96.0, abs=0.01)
    assert found.electrode.offset_mv == pytest.approx(-59.159 * 0.03, abs=0.01)
    assert found.verdict == "good"
    assert any("USGS" in reason for reason in found.reasons)
    poor = electrode_of([seven, replace(four, said=4.4)])
    assert poor.verdict == "poor"
    assert poor.electrode.slope_percent == pytest.approx(87.67, abs=0.01)


def test_buffers_of_different_days_or_too_close_together_say_nothing_of_the_slope():
    four = check(4.0, day=1, expected=4.0, solution="buffer-4.01")
    assert electrode_of([check(7.0), four]) is None
    close = check(6.87, day=0.1, expected=6.87, solution="phosphate")
    assert electrode_of([check(7.0), close]) is None
    # an earlier session that had both still tells
    early = [check(7.0), replace(four, at_ms=START + HOUR_MS), check(7.0, day=20)]
    assert electrode_of(early).at_ms == START + HOUR_MS


def test_one_check_asks_for_an_offset_and_two_for_a_line_about_ph_7():
    one = propose([check(7.05)], now_ms=5)
    assert one.line == Correction(pytest.approx(-0.05))
    assert (one.from_ms, one.check_ids) == (5, ("d0",))
    assert one.u_at(3.0) == pytest.approx(math.hypot(0.02, 0.02) / 2)
    two = propose(
        [check(7.05), check(4.17, day=0.1, expected=4.0, solution="buffer-4.01")], now_ms=5
    )
    assert two.line.pivot == 7.0
    assert two.line.apply(7.05) == pytest.approx(7.0)
    assert two.line.apply(4.17) == pytest.approx(4.0)


def test_one_conductivity_check_asks_for_a_gain_so_that_pure_water_stays_pure():
    said = check(1380.0, expected=1413.0, quantity="conductivity", said_u=5, expected_u=14)
    found = propose([said], now_ms=0)
    assert found.line.gain == pytest.approx(1413 / 1380)
    assert found.line.apply(0.0) == 0.0
    assert found.u_at(1380.0) == pytest.approx(math.hypot(5, 14) / 2)
    assert found.u_at(14.0) == pytest.approx(14 / 1380 * math.hypot(5, 14) / 2)
    assert "d0" in found.method


@pytest.mark.parametrize(
    ("checks", "needed"),
    [
        ([], "one check or two"),
        ([check(7.0), check(4.0, quantity="orp")], "different"),
        ([check(7.0), check(6.87, expected=6.87, solution="phosphate")], "1 or more"),
        ([check(7.0), check(7.02)], "further apart"),
        ([check(4.0, resembles="buffer-4.01")], "looks like buffer-4.01"),
        ([check(7.0), check(6.0, expected=4.0)], "gain"),
    ],
)
def test_checks_that_make_no_correction_are_refused_with_what_is_needed(checks, needed):
    with pytest.raises(WaterError, match=needed):
        propose(checks, now_ms=0)


def test_a_state_lists_the_corrections_in_force():
    standing = StandingCorrection("kitchen", "ph", Correction(-0.1), (), START)
    other = replace(standing, meter="cellar")
    assert state(check(7.0), corrections=[standing, other]).corrections == (standing,)
    assert state().quantities == ()
