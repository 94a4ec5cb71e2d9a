"""Presets as data, and published procedures applied as printed."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from acquire.errors import ConfigError
from acquire.presets import Preset, find_preset, preset_names
from acquire.procedures import Procedure, find_rule, rule_names, settler_for
from acquire.settle import Settler, Tolerance

CHECKS = [
    check
    for check in json.loads((Path(__file__).parent / "data" / "check_values.json").read_text())
    if check["topic"] == "stabilisation"
]
NAMES = {"usgs-nfm": "usgs-nfm", "epa-1996": "epa-low-flow-1996", "paul-puls-2001": "puls-paul"}


def _quantity(parameter: str) -> str:
    plain = parameter.removesuffix("_percent")
    return "conductivity" if plain == "specific_conductance" else plain


def _of(*keys: str) -> list[pytest.param]:
    return [pytest.param(c, id=c["id"]) for c in CHECKS if all(key in c["inputs"] for key in keys)]


def test_the_presets_are_there_and_careful_doubts_less():
    assert {"bench", "careful", "quick"} <= set(preset_names())
    assert find_preset("careful").doubt < find_preset("bench").doubt < find_preset("quick").doubt
    assert all(find_preset(name).about for name in preset_names())


def test_the_default_preset_is_what_the_defaults_say():
    bench = find_preset("bench")
    assert bench == Preset(about=bench.about)


def test_a_doubt_counts_less_the_longer_the_value_has_stayed():
    bench = find_preset("bench")
    counted = [bench.counted(0.1, dwell) for dwell in (0.0, 12.0, 24.0, 48.0)]
    assert counted == sorted(counted, reverse=True)
    assert counted[1] == pytest.approx(0.1)
    assert counted[2] / counted[3] == pytest.approx(2**1.5)


@pytest.mark.parametrize("name", ["bench", "careful", "quick"])
def test_the_plateau_alone_is_small_enough_from_the_earliest_dwell_on(name):
    preset = find_preset(name)
    for first in (preset.plateau, preset.plateau_unseen, preset.plateau_abrupt):
        earliest = preset.earliest_dwell(first)
        assert preset.plateau_doubt(first, earliest) <= preset.doubt + 1e-12
        if first > preset.doubt:
            assert preset.plateau_doubt(first, earliest - 1) > preset.doubt


def test_every_procedure_says_where_it_stands_and_keeps_its_minutes():
    assert set(rule_names()) == set(NAMES.values())
    for name in rule_names():
        rule = find_rule(name)
        assert rule.source
        assert rule.apart_s >= 180
        assert rule.count >= 3


@pytest.mark.parametrize(
    "check", [c for c in _of("criterion", "parameter") if "series" not in c.values[0]["inputs"]]
)
def test_published_limits(check):
    """Each limit as its source prints it (source and provenance stand in the data file)."""
    inputs = check["inputs"]
    rule = find_rule(NAMES[inputs["criterion"]])
    if inputs["parameter"] == "n_readings":
        assert rule.count == check["expected"]
        return
    limit = rule.limits[_quantity(inputs["parameter"])]
    if inputs["parameter"].endswith("_percent"):
        assert 100 * limit.relative == pytest.approx(check["expected"])
        return
    value = inputs.get("value_us_cm", inputs.get("value", 7.0))
    assert limit.at(value) == pytest.approx(check["expected"], abs=check["tolerance"] + 1e-9)


@pytest.mark.parametrize("check", _of("criterion", "series"))
def test_published_criteria_on_series(check):
    """Verdicts that hold under every reading of the ± sign (source in the data file)."""
    inputs = check["inputs"]
    procedure = Procedure(NAMES[inputs["criterion"]], quantity=_quantity(inputs["parameter"]))
    assert find_rule(NAMES[inputs["criterion"]]).count == inputs["n_required"]
    for i, value in enumerate(inputs["series"]):
        state = procedure.update(i * 180.0, value)
    assert (state.phase == "settled") is check["expected"]


def test_the_median_of_the_last_five_is_reported():
    """USGS NFM TM 9-A6.0/A6.2 (stab-report-median)."""
    (check,) = [c for c in CHECKS if c["id"] == "stab-report-median"]
    procedure = Procedure("usgs-nfm", quantity="ph")
    for i, value in enumerate([6.0, *check["inputs"]["series"]]):
        state = procedure.update(i * 180.0, value)
    assert state.value == pytest.approx(check["expected"], abs=check["tolerance"])
    assert state.phase == "settled"
    assert state.expanded_u == 0.1


def test_orp_without_a_limit_is_given_up_with_its_drift():
    """USGS NFM A6.5, section 6.5.3: after about 30 min record the value and its drift."""
    (check,) = [c for c in CHECKS if c["id"] == "stab-eh-timeout"]
    rule = find_rule("usgs-nfm")
    assert rule.give_up_s == check["expected"] * 60
    procedure = Procedure(rule, quantity="orp")
    for i in range(12):
        state = procedure.update(i * 180.0, 300.0 + i)
    assert state.phase != "settled"
    assert "30 min" in state.reason
    assert state.drift_per_min == pytest.approx(1 / 3)


def test_readings_closer_together_than_printed_are_not_the_rule():
    procedure = Procedure("puls-paul", quantity="ph")
    states = [procedure.update(float(i), 7.0) for i in range(361)]
    assert all(s.phase != "settled" for s in states[:360])
    assert states[360].phase == "settled"
    assert states[10].eta_s == 360
    assert "2 more readings 3 min apart" in states[10].reason


def test_a_settled_procedure_is_withdrawn_when_a_later_reading_leaves_the_limit():
    procedure = Procedure("puls-paul", quantity="ph")
    for i, value in enumerate([7.0, 7.01, 7.0]):
        assert procedure.update(i * 180.0, value).phase == ("settled" if i == 2 else "settling")
    state = procedure.update(540.0, 7.2)
    assert state.phase == "moving"
    assert "0.19 from the median" in state.reason


def test_a_procedure_ignores_what_is_no_reading_and_begins_anew_when_told():
    procedure = Procedure("puls-paul", quantity="ph", resolution=0.01)
    first = procedure.update(0.0, 7.0)
    for t, value in [(0.0, 8.0), (-5.0, 8.0), (math.nan, 8.0), (500.0, math.nan)]:
        assert procedure.update(t, value) is first
    assert dict(procedure.explain())["readings"].startswith("1 of 3")
    assert procedure.budget()["resolution"] == pytest.approx(0.01 / math.sqrt(12))
    procedure.restart(10.0)
    assert procedure.update(20.0, 7.0).eta_s == 360


def test_a_name_makes_the_detector_or_the_procedure():
    tolerance = Tolerance(0.02)
    assert isinstance(settler_for("bench", tolerance, quantity="ph"), Settler)
    assert isinstance(settler_for("usgs-nfm", tolerance, quantity="ph"), Procedure)
    with pytest.raises(ConfigError, match="bench"):
        settler_for("hasty", tolerance)
    with pytest.raises(ConfigError, match="usgs-nfm"):
        find_rule("hasty")
