"""What each side of a comparison and of a history rests on: budgets, corrections, checks."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.bench.beside_meter import beside_meter, drift_beside
from acquire.bench.budgets import budgets, noise_dof
from acquire.bench.comparison import compare
from acquire.bench.failure import compensation_told
from acquire.bench.findings import agreement
from acquire.bench.meter_state import meter_state
from acquire.bench.movement import Point, change_of, trend_of
from acquire.bench.sides import measured
from acquire.bench.standing import Explanation
from acquire.checks import Anchor, Check, StandingCorrection
from acquire.quantities import BUILT_IN
from acquire.readings import Capture, CaptureState, Channel, Role, SettledValue, Stamp
from acquire.water.corrections import Correction
from acquire.water.solutions import built_in_solutions

DAY_MS = 86_400_000
T0_MS = 1_790_000_000_000
EC = Channel("conductivity", 1.0, accuracy_relative=0.02, reference_c=25.0)
PH = Channel("ph", 0.01, accuracy=0.05)
CHANNELS = {"kitchen": {"conductivity": EC, "ph": PH}}


def settled(quantity, value, u=0.01, **more):
    budget = more.pop("budget", {"noise": u})
    return SettledValue(quantity, value, 2 * u, "settled", 0.0, 40.0, budget=budget, **more)


def capture(*values, day=0.0, derived=(), name="c1", water="tap"):
    began = Stamp(T0_MS + round(day * DAY_MS), 0)
    taken = Stamp(began.at_ms + 60_000, 60_000_000_000)
    said, made = ({v.quantity: v for v in some} for some in (values, derived))
    return Capture(
        name, "kitchen", CaptureState.FINAL, began, taken, said, water, Role.SUBJECT, "", made
    )


def check(day, bias, *, expected=7.0, quantity="ph", u=0.02, **more):
    return Check(
        **{
            "capture_id": f"k{day}", "meter": "kitchen", "quantity": quantity, "source": "",
            "at_ms": T0_MS + round(day * DAY_MS), "solution": f"s-{expected}", "label": "", "method": "",
            "temp_c": 21.0, "temp_from": "meter", "said": expected + bias, "said_u": u,
            "expected": expected, "expected_u": u, "allowed": 0.05, "allowed_by": "",
            "verdict": "pass", "reason": "",
        } | more
    )  # fmt: skip


def of(quantity, *captures, channels=CHANNELS, corrections=()):
    sources = {one.id: one.meter for one in captures}
    return measured(quantity, captures, channels, corrections, sources=sources)


# -- one side ---------------------------------------------------------------------------------


def test_tds_that_ouzel_computed_is_as_accurate_as_its_conductivity():
    tds = replace(settled("tds", 250.0), source="derived")
    one = capture(settled("conductivity", 500.0), derived=[tds])
    terms = {part.name: part.u for part in of("tds", one).budget.components}
    # GUM 4.3.7, rectangles: 2 % of 250 as a half-width, and a step of 1 µS/cm carried by k = 0.5.
    assert terms["accuracy"] == pytest.approx(0.02 * 250 / math.sqrt(3))
    assert terms["resolution"] == pytest.approx(0.5 / math.sqrt(12))
    assert of("tds", capture(settled("conductivity", 0.0), derived=[tds])) is None
    assert of("tds", one, channels={"kitchen": {"ph": PH}}) is None


def test_a_value_without_terms_counts_with_the_uncertainty_it_states():
    said = of("ph", capture(settled("ph", 7.0, 0.03, budget={})))
    assert {p.name: p.u for p in said.budget.components}["settling"] == pytest.approx(0.03)


def test_a_value_that_is_no_number_is_none():
    assert of("ph", capture(settled("ph", math.nan))) is None
    both = of("ph", capture(settled("ph", math.inf)), capture(settled("ph", 7.0), name="c2"))
    assert both.values == (7.0,)


def test_what_a_correction_adds_stays_with_it_or_with_the_capture_alone():
    line = StandingCorrection(
        "kitchen", "ph", Correction(-0.05), (Anchor(7.05, 7, 0.012, "k1"),), 5
    )
    value = settled("ph", 7.5, budget={"noise": 0.01, "check": 0.012}, method=line.method)
    one = capture(settled("ph", 7.55), derived=[value])
    assert of("ph", one, corrections=[line]).checks == {("kitchen", "ph", 5): (0.012,)}
    elsewhere = replace(line, meter="travel")
    for unknown in ([], [elsewhere]):
        assert of("ph", one, corrections=unknown).checks == {("c1", "ph", 0): (0.012,)}
    assert of("ph", one).whole.u == pytest.approx(math.hypot(of("ph", one).budget.u, 0.012))


# -- the budget of one capture ----------------------------------------------------------------


def test_a_term_that_is_no_number_gives_no_budget_rather_than_a_wrong_one():
    one = capture(settled("ph", 7.0, budget={"noise": math.inf}), settled("conductivity", 500.0))
    explained = Explanation("kitchen", "c1", {}, CHANNELS["kitchen"])
    assert set(budgets(one, explained)) == {"conductivity"}


def test_noise_has_the_freedom_of_the_ten_seconds_and_what_was_waited_beyond():
    value = settled("ph", 7.0)
    # Settled after 40 s of 60: 10 s and 20 s are 20 blocks of 1.5 s, less one.
    assert noise_dof(capture(value), value) == 19.0
    assert noise_dof(capture(value), replace(value, settled_after_s=None)) == 5.0


# -- beside a comparison ----------------------------------------------------------------------

ORP = Channel("orp", 1.0, accuracy=5.0, reference_electrode="ag-agcl-3m")


def sides(*values, channels):
    a, b = capture(*values, name="a", water="ro"), capture(*values, name="b")
    return compare(a, b, {"kitchen": channels})


def test_eh_is_given_only_with_a_temperature_at_rest_that_the_electrodes_table_has():
    channels = {"orp": ORP, "temperature": Channel("temperature", 0.1)}
    warm, hot = settled("temperature", 20.0), settled("temperature", 99.0)
    orp = settled("orp", 300.0)
    # 3 mol/L Ag/AgCl with junction at 20 °C: +210 mV (table of an instrument manual).
    assert [d.value for d in sides(orp, warm, channels=channels).derived] == [
        pytest.approx(510.0)
    ] * 2
    assert sides(orp, hot, channels=channels).derived == ()
    moving = replace(warm, phase="moving")
    assert sides(orp, moving, channels=channels).derived == ()


def test_a_limit_of_conductivity_is_held_only_where_its_temperature_is_known():
    value = settled("conductivity", 500.0)
    known = sides(value, channels={"conductivity": EC})
    assert "eu-conductivity" in {place.limit.name for place in known.places}
    raw = {"conductivity": replace(EC, reference_c=None)}
    assert sides(value, channels=raw).places == ()
    made = replace(value, source="derived", method="at 25 °C (ISO 7888)")
    a, b = (capture(value, derived=[made], name=n, water=n) for n in "ab")
    assert len(compare(a, b, {"kitchen": raw}).places) == len(known.places)


# -- what checks say of the meter -------------------------------------------------------------


def test_the_nearest_check_of_the_session_says_how_far_the_meter_was_off():
    point = of("conductivity", capture(settled("conductivity", 500.0)))
    near = check(0.01, 14.13, expected=1413.0, quantity="conductivity")
    off = beside_meter(point, [near, check(9, 99.0)], T0_MS, [])
    assert off.bias == pytest.approx(5.0)  # 1 % of the water's level
    assert beside_meter(point, [check(9, 0.1)], T0_MS, []) is None
    assert beside_meter(point, [replace(near, resembles="other")], T0_MS, []) is None
    nothing = beside_meter(point, [check(0, 3.0, expected=0.0, quantity="conductivity")], T0_MS, [])
    assert nothing.bias == 3.0  # of a zero there is no proportion


def test_the_drift_is_that_of_the_values_as_they_are_in_use():
    drifting = [check(10 * n, 0.01 * n) for n in range(6)]
    bare = drift_beside("ph", drifting, 7.0, [])
    assert (bare.per_month, bare.checks) == (pytest.approx(0.03), 6)
    # Each check put a correction in force that took its bias off: nothing of the drift is left.
    mended = [
        StandingCorrection(
            "kitchen", "ph", Correction(-one.bias), (Anchor(one.said, 7.0, 0.01, one.capture_id),),
            one.at_ms + 60_000, 0,
        )
        for one in drifting
    ]  # fmt: skip
    used = drift_beside("ph", drifting, 7.0, [*mended, replace(mended[0], meter="travel")])
    assert used.per_month == pytest.approx(0.0, abs=1e-9)
    assert drift_beside("ph", [replace(one, resembles="x") for one in drifting], 7.0, []) is None


def test_three_checks_bound_the_drift_by_how_sure_the_first_and_last_are():
    found = drift_beside("ph", [check(15 * n, 0.01 * n) for n in range(3)], 7.0, [])
    assert found.per_month == pytest.approx(0.02)
    # u of each bias is 0.0141: 2 hypot(u, u) over 30 days.
    assert found.high - found.per_month == pytest.approx(2 * math.hypot(0.0141, 0.0141), rel=0.01)
    assert found.low < 0 < found.high


def test_a_meter_of_which_every_check_was_in_a_wrong_bottle_has_no_state():
    wrong = [check(n, 3.0, resembles="buffer-10.01", verdict="fail") for n in range(3)]
    (found,) = meter_state("kitchen", wrong, [], every_days=30, now_ms=T0_MS).quantities
    assert (found.solutions, found.is_good) == ((), False)


# -- whether a water moved --------------------------------------------------------------------


def points(*values, days=10.0, **more):
    return [
        Point(T0_MS + round(n * days * DAY_MS), v, 0.1, (), "", "kitchen",
              more.get("is_imported", False), more.get("flags", ()))
        for n, v in enumerate(values)
    ]  # fmt: skip


def test_a_trend_needs_three_points_and_a_week():
    assert trend_of(BUILT_IN["ph"], points(7.0, 7.1), [], CHANNELS, []) is None
    assert trend_of(BUILT_IN["ph"], points(7.0, 7.1, 7.2, days=1), [], CHANNELS, []) is None
    assert trend_of(BUILT_IN["ph"], points(7.0, 7.0, 7.0), [], CHANNELS, []).verdict == "no trend"


def test_a_trend_beyond_what_the_maker_allows_is_the_waters_without_any_check():
    rising = points(*(7.0 + 0.1 * n for n in range(8)))
    said = trend_of(BUILT_IN["ph"], rising, [], CHANNELS, [])
    assert (said.verdict, "accuracy" in said.why) == ("rising", True)
    falling = trend_of(BUILT_IN["ph"], points(*(7.0 - 0.1 * n for n in range(8))), [], CHANNELS, [])
    assert falling.verdict == "falling"
    # Of a meter nobody described nothing is allowed for, and nothing is told.
    assert trend_of(BUILT_IN["ph"], rising, [], {}, []).verdict == "cannot tell"


def test_a_change_is_not_told_of_imported_or_doubted_visits():
    pair = of("ph", capture(settled("ph", 7.0))), of("ph", capture(settled("ph", 8.0), day=10))
    plain = change_of(BUILT_IN["ph"], pair, points(7.0, 8.0), [], [])
    assert plain.verdict == "yes"
    kept = change_of(BUILT_IN["ph"], pair, points(7.0, 8.0, is_imported=True), [], [])
    assert (kept.verdict, kept.budget) == ("cannot tell", plain.budget)
    doubt = "perhaps another water: it reads like ro"
    odd = change_of(BUILT_IN["ph"], pair, points(7.0, 8.0, flags=(doubt,)), [], [])
    assert (odd.verdict, odd.why) == ("cannot tell", doubt)
    assert change_of(BUILT_IN["ph"], (None, pair[1]), points(7.0, 8.0), [], []) is None


@pytest.mark.parametrize("flag", ["lifted after 40 s", "3.0 °C warmer than ro: let both stand"])
def test_a_change_is_told_in_spite_of_a_flag_that_speaks_against_nothing(flag):
    pair = of("ph", capture(settled("ph", 7.0))), of("ph", capture(settled("ph", 8.0), day=10))
    assert change_of(BUILT_IN["ph"], pair, points(7.0, 8.0, flags=(flag,)), [], []).verdict == "yes"


def test_no_trend_is_said_only_where_one_that_matters_would_have_shown():
    """The interval of these eight reaches ±0.5 over the time: that was called `no trend`."""
    wide = points(7.0, 7.5, 6.9, 7.4, 7.1, 7.5, 6.9, 7.2)
    said = trend_of(BUILT_IN["ph"], wide, [], CHANNELS, [])
    assert said.low < 0.0 < said.high
    assert (said.verdict, "0.1 matters" in said.why) == ("cannot tell", True)
    narrow = points(7.00, 7.02, 6.99, 7.01, 7.00, 7.02, 6.99, 7.01)
    said = trend_of(BUILT_IN["ph"], narrow, [], CHANNELS, [])
    assert (said.verdict, "0.1 over" in said.why) == ("no trend", True)


def test_a_trend_rests_on_no_point_in_doubt():
    rising = points(*(7.0 + 0.1 * n for n in range(8)))
    far = [replace(p, value=3.0, flags=("perhaps another water",)) for p in rising[::3]]
    mixed = [far[n // 3] if n % 3 == 0 else point for n, point in enumerate(rising)]
    said, sound = (
        trend_of(BUILT_IN["ph"], some, [], CHANNELS, [])
        for some in (mixed, [p for p in mixed if not p.flags])
    )
    assert said == sound
    assert trend_of(BUILT_IN["ph"], far, [], CHANNELS, []) is None


# -- why a check failed -----------------------------------------------------------------------


def test_a_compensation_other_than_the_profile_says_is_named():
    solution = built_in_solutions()["kcl-1413"]
    raw = replace(EC, reference_c=None)
    shows_25, shows_20 = settled("conductivity", 1413.0), settled("conductivity", 1278.0)
    # 1413 µS/cm at 25 °C and 1278 at 20 °C (table of an instrument manual): at 20 °C a meter that
    # shows the first compensates, one that shows the second does not, whatever is written.
    assert "compensated_to_c" in compensation_told(solution, shows_25, raw, 20.0)
    assert compensation_told(solution, shows_20, raw, 20.0) == ""
    assert compensation_told(solution, shows_20, EC, 20.0).startswith("; ")
    assert compensation_told(solution, shows_20, EC, 25.0) == ""  # nothing can be seen at 25 °C


# -- do the numbers agree ---------------------------------------------------------------------


def test_a_value_no_formula_holds_for_is_not_judged_by_one():
    channels = {"conductivity": replace(EC, coefficient=0.02), "tds": Channel("tds", 1.0)}
    fine = capture(settled("conductivity", 500.0), settled("tds", 250.0))
    assert [one.about for one in agreement(fine, channels)] == ["tds"]
    below_zero = capture(settled("conductivity", -500.0), settled("tds", 250.0))
    assert list(agreement(below_zero, channels)) == []


@given(st.floats(-1e9, 1e9), st.floats(-1e9, 1e9))
def test_no_value_a_meter_may_say_breaks_the_findings(conductivity, tds):
    channels = {"conductivity": EC, "tds": Channel("tds", 1.0)}
    one = capture(settled("conductivity", conductivity), settled("tds", tds))
    assert all(found.text for found in agreement(one, channels))


def test_a_compensated_conductivity_is_held_against_tds_as_the_meter_said_it():
    """A correction stands beside the value; TDS is what the meter made of its own number."""
    channels = {"conductivity": replace(EC, coefficient=0.02), "tds": Channel("tds", 1.0)}
    corrected = settled("conductivity", 600.0, source="derived", method="corrected by x 1.2")
    one = capture(settled("conductivity", 500.0), settled("tds", 250.0), derived=[corrected])
    (found,) = agreement(one, channels)
    assert found.kind == "agrees"
    assert found.arithmetic.startswith("0.5 x 500 = 250")
