"""Checks, charts, budgets and findings as people and programs read them."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.bench.budgets import budgets, noise_dof
from acquire.bench.meter_state import DAY_MS, meter_state
from acquire.bench.standing import Explanation
from acquire.checks import Anchor, Check, StandingCorrection
from acquire.outlets.as_json import as_json
from acquire.outlets.budget import budget_json, budget_table
from acquire.outlets.chart import control_chart
from acquire.outlets.check_json import check_json, correction_json, state_json
from acquire.outlets.check_words import check_lines, opened_warning, solution_lines, state_lines
from acquire.outlets.explain import explain_lines
from acquire.outlets.words import capture_lines, finding_lines
from acquire.quantities import BUILT_IN
from acquire.readings import Capture, CaptureState, Channel, Event, SettledValue, Stamp
from acquire.stats.budget import Budget, Component
from acquire.stats.charts import individuals
from acquire.water.corrections import Correction
from acquire.water.solutions import find_solution

START = 1_790_000_000_000
STAMP = Stamp(START, 10**12)
CHECK = Check(
    capture_id="k1", meter="kitchen", quantity="ph", at_ms=START, solution="buffer-7.00",
    label="Buffer 7.00", source="a table", method="as printed", temp_c=21.1, temp_from="typed",
    said=7.1, said_u=0.02, expected=7.01, expected_u=0.02, allowed=0.05, allowed_by="the maker",
    verdict="fail", reason="off by +0.09 ± 0.028, allowed ±0.05 (the maker)",
)  # fmt: skip
LINE = StandingCorrection(
    "kitchen", "ph", Correction(-0.09), (Anchor(7.1, 7.01, 0.014, "k1"),), START
)


def months(*biases):
    return [
        replace(CHECK, capture_id=f"k{n}", at_ms=START + 30 * n * DAY_MS, said=7.01 + bias)
        for n, bias in enumerate(biases)
    ]


def test_a_check_shows_the_verdict_first_and_what_is_corrected_beside_what_was_said():
    lines = list(check_lines([CHECK], BUILT_IN))
    assert lines[0] == "pH: FAIL"
    assert lines[1].split() == ["the", "meter", "says", "7.100", "±", "0.020"]
    assert "21.1 °C (typed)" in lines[3]
    lines = list(check_lines([replace(CHECK, corrected=7.01, corrected_u=0.03)], BUILT_IN))
    assert lines[2].split() == ["corrected", "7.010", "±", "0.030"]


def test_what_people_and_files_say_cannot_trick_the_terminal():
    evil = replace(CHECK, label="\x1b[2J", reason="a\nb\u202e", source="\x07", solution="x\x1b[1m")
    text = "".join(check_lines([evil], BUILT_IN))
    text += "".join(
        state_lines(meter_state("\x1b[2J", [], [LINE], every_days=30, now_ms=START), BUILT_IN)
    )
    assert text.isprintable()


def test_the_state_of_a_meter_over_months_fits_eighty_columns_and_names_what_stands_out():
    checks = months(0.0, 0.01, 0.0, 0.01, 0.0, 0.01, 0.0, 0.15)
    state = meter_state(
        "kitchen", checks, [LINE], every_days=30, now_ms=checks[-1].at_ms + 3 * DAY_MS
    )
    text = list(state_lines(state, BUILT_IN))
    assert all(len(line) <= 80 for line in text)
    whole = "\n".join(text)
    assert "not verified (check k7 failed with Buffer 7.00)" in whole
    assert "8 checks, last 3 days ago" in whole
    assert "(check k7)" in whole
    assert "X" in whole
    assert "8 checks over 210 days" in " ".join(whole.split())
    assert "corrected by -0.09 (check k1)" in whole


def test_the_state_says_since_when_a_check_is_overdue():
    passed = replace(CHECK, verdict="pass")
    state = meter_state("kitchen", [passed], [], every_days=30, now_ms=START + 31 * DAY_MS)
    text = "\n".join(state_lines(state, BUILT_IN))
    assert "check it: its last pass held until" in text
    assert "31 days ago" in text


def test_what_programs_get_is_json_without_numbers_that_are_none():
    checks = months(0.0, 0.01, 0.02)
    state = meter_state("kitchen", checks, [LINE], every_days=30, now_ms=START)
    said = json.loads(json.dumps(state_json(state), allow_nan=False))
    solution = said["quantities"]["ph"]["solutions"]["buffer-7.00"]
    assert solution["drift"]["low"] is None  # three checks bound no Theil-Sen slope
    assert solution["chart"]["biases"] == pytest.approx([0.0, 0.01, 0.02])
    assert said["corrections"][0]["checks"] == ["k1"]
    assert json.dumps(correction_json(LINE), allow_nan=False)
    assert check_json(CHECK)["bias"] == pytest.approx(0.09)


def test_a_chart_shows_the_last_values_one_column_each_and_marks_what_is_outside():
    values = [0.0, 0.01, 0.0, 0.01, 0.0, 0.01, 0.0, 0.2]
    lines = list(control_chart(values, individuals(values), digits=3, rows=9))
    assert len(lines) == 9
    assert sum(line.split("|")[1].count("o") for line in lines) == 7
    (top,) = [line for line in lines if "X" in line]
    assert top.split("|")[1].index("X") == 7
    assert [word for line in lines for word in ("upper", "mean", "lower") if word in line] == [
        "upper", "mean", "lower"
    ]  # fmt: skip


@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=200))
def test_any_chart_is_as_wide_and_high_as_asked(values):
    lines = list(control_chart(values, individuals(values), digits=2, width=50, rows=7))
    assert len(lines) == 7
    assert len({line.index("|") for line in lines}) == 1
    assert all(len(line.split("|", 1)[1]) <= 50 for line in lines)
    drawn = [line.split("|", 1)[1] for line in lines]
    assert sum(line.count("o") + line.count("X") for line in drawn) == min(len(values), 50)


def test_a_budget_is_a_table_with_shares_and_a_coverage_factor():
    # GUM H.1 has 16 effective degrees of freedom; here 0.03 of 4 degrees and 0.04 that is sure:
    # 0.05^4 / (0.03^4 / 4) = 30.9, and Student's t for 30 at 95 % is 2.042 (GUM, table G.2).
    budget = Budget(7.0, (Component("noise", 0.03, 4), Component("accuracy", 0.04)))
    lines = list(budget_table(budget, BUILT_IN["conductivity"]))
    assert "u (µS/cm)" in lines[0]
    assert lines[1].split()[-3:] == ["0.04", "64", "%"]
    assert lines[-2].strip() == "effective degrees of freedom 31, coverage factor k = 2.04"
    assert lines[-1].split()[-1] == "0.1"
    assert all(len(line) <= 80 for line in lines)
    said = json.loads(json.dumps(budget_json(budget), allow_nan=False))
    assert said["k"] == pytest.approx(2.042, abs=0.001)
    assert budget_json(Budget(7.0, (Component("accuracy", 0.04),)))["dof"] is None


def capture(**derived):
    terms = {"noise": 0.004, "resolution": 0.0029, "remaining": 0.003}
    value = SettledValue("ph", 7.1, 0.012, "settled", 0.0, 30.0, budget=terms)
    taken = Stamp(START + 60_000, 10**12 + 60 * 10**9)
    return Capture(
        "c1", "kitchen", CaptureState.FINAL, STAMP, taken, {"ph": value}, derived=derived
    )


def test_the_budget_of_a_capture_holds_the_meter_or_the_checks_that_corrected_it():
    channels = {"ph": Channel("ph", 0.01, accuracy=0.05)}
    plain = budgets(capture(), Explanation("kitchen", "c1", {}, channels))["ph"]
    assert {p.name: p.u for p in plain.components}["accuracy"] == pytest.approx(0.05 / math.sqrt(3))
    corrected = budgets(capture(), Explanation("kitchen", "c1", {}, channels, {"ph": LINE}))["ph"]
    parts = {p.name: p.u for p in corrected.components}
    assert "accuracy" not in parts
    assert parts["check"] == 0.014
    # settled after 30 of 60 s: ten seconds and those thirty, in blocks of 1.5 s, less one
    assert noise_dof(capture(), capture().values["ph"]) == 25
    assert corrected.components[0].dof == 25


def test_an_explanation_shows_the_budget_as_a_table_where_the_meter_is_known():
    channels = {"ph": Channel("ph", 0.01, accuracy=0.05)}
    known = Explanation("kitchen", "c1", {"ph": [("left to move", "0")]}, channels)
    tolerance = BUILT_IN["ph"].tolerance
    text = "\n".join(explain_lines(capture(), known, [], BUILT_IN, lambda _: tolerance))
    assert "uncertainty budget (GUM)" in text
    assert "left to move: 0" in text
    unknown = Explanation("kitchen", "c1", {})
    text = "\n".join(explain_lines(capture(), unknown, [], BUILT_IN, lambda _: tolerance))
    assert "standard uncertainties: noise 0.004" in text


def test_a_derived_value_stands_under_the_meters_own_with_its_method():
    derived = SettledValue("ph", 7.01, 0.03, "settled", 0.0, 30.0, "derived", LINE.method)
    lines = list(capture_lines(capture(ph=derived), BUILT_IN))
    assert "7.100 ± 0.012" in lines[1]
    assert lines[2].rstrip().endswith("derived")
    assert "corrected by -0.09 (check k1)" in lines[3]
    said = as_json(capture(ph=derived))
    assert said["values"]["ph"]["value"] == 7.1
    assert said["derived"]["ph"]["method"] == LINE.method


def test_a_finding_stands_under_its_capture_marked_when_something_is_wrong():
    text = "TDS does not fit. " + "0.5 x 486 = 243, shown 20 mg/L " * 4
    wrong = Event("finding", STAMP, "kitchen", text, {"kind": "disagrees"})
    lines = list(finding_lines(wrong))
    assert lines[0].startswith("  ! TDS does not fit.")
    assert all(len(line) <= 80 for line in lines)
    (line,) = finding_lines(replace(wrong, text="a note", data={"kind": "note"}))
    assert line == "  - a note"


def test_a_solution_shows_its_cautions_and_an_old_bottle_is_warned_of():
    zobell = find_solution("zobell")
    text = " ".join(" ".join(solution_lines(zobell)).split())
    assert "caution: Never bring it near acid or heat" in text
    assert "keeps 90 days opened" in text
    assert opened_warning(zobell, 90) == ""
    assert "opened 91 days ago and keeps 90" in opened_warning(zobell, 91)
    assert opened_warning(replace(zobell, opened_days=None), 9999) == ""
