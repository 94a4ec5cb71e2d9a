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


def test_the_presets_are_there_and_careful_waits_longer_and_risks_less():
    assert {"bench", "careful", "quick"} <= set(preset_names())
    careful, bench, quick = map(find_preset, ("careful", "bench", "quick"))
    assert careful.dwell_s > bench.dwell_s > quick.dwell_s
    for stay_s in range(33, 301):
        risks = [preset.risk_allowed(stay_s) for preset in (careful, bench, quick)]
        assert risks == sorted(risks)
    assert all(find_preset(name).about for name in preset_names())


def test_the_default_preset_is_what_the_defaults_say():
    bench = find_preset("bench")
    assert bench == Preset(about=bench.about)


def test_the_risk_allowed_goes_from_step_to_step_by_the_same_share_each_second():
    preset = Preset(allowed=((20.0, 0.08), (30.0, 0.02), (40.0, 0.04)))
    allowed = {s: preset.risk_allowed(s) for s in (0.0, 20.0, 25.0, 30.0, 35.0, 40.0, 1e6)}
    assert allowed[0.0] == allowed[20.0] == 0.08
    assert allowed[25.0] == pytest.approx(0.04)
    assert allowed[30.0] == pytest.approx(0.02)
    assert allowed[35.0] == pytest.approx(0.02 * 2**0.5)
    assert allowed[40.0] == allowed[1e6] == 0.04


@pytest.mark.parametrize("name", preset_names())
def test_a_preset_allows_some_risk_at_rising_seconds_and_asks_where_it_was_learnt(name):
    preset = find_preset(name)
    seconds = [s for s, _ in preset.allowed]
    assert seconds == sorted(set(seconds))
    assert all(0.0 < risk < 0.5 for _, risk in preset.allowed)
    assert preset.dwell_s >= 10.0


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
