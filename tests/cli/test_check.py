"""The main job of checking, over a port: verify, correct, see it applied, take it back."""

from __future__ import annotations

import itertools
import json
import re
from datetime import datetime, timedelta

import pytest

from acquire.readings import CaptureState, Role
from acquire.store.records import Records
from simulators.traits import Bias

WORDS = ("--speed", "60", "--timeout", "1800")


def seed_where(holds):
    """The first simulated instrument that is built as the test needs it."""
    return str(next(n for n in itertools.count(1) if holds(Bias.drawn(n))))


GOOD = seed_where(
    lambda b: (
        abs(b.ph) < 0.004
        and abs(b.ph_slope - 1) < 0.003
        and abs(b.conductivity - 1) < 0.003
        and abs(b.temperature_c) < 0.2
    )
)
PH_HIGH = seed_where(lambda b: b.ph > 0.095)
EC_HIGH = seed_where(lambda b: b.conductivity > 1.033 and abs(b.temperature_c) < 0.3)


def unwrapped(done):
    return " ".join(done.stdout.split())


def leave(ouzel, child):
    ouzel.stop(child)
    ouzel.wait(lambda: not (ouzel.folder / "probe").exists())


def dip(ouzel, water, seed, *words, code=0):
    """Put the probe into a water, run one command, take it out."""
    child = ouzel.simulate("--water", water, "--seed", seed)
    try:
        return ouzel.run(*words, code=code)
    finally:
        leave(ouzel, child)


def test_a_good_meter_passes_in_buffer_and_standard_and_is_good_for_a_month(ouzel):
    ouzel.configure()
    out = dip(ouzel, "buffer_7", GOOD, "check", "buffer-7.00", *WORDS).stdout
    assert "pH: PASS" in out
    assert "the maker's accuracy" in out
    said = json.loads(
        dip(ouzel, "kcl_1413", GOOD, "check", "kcl-1413", "--json", "--explain", *WORDS).stdout
    )
    (check,) = said["checks"]
    assert check["verdict"] == "pass"
    assert check["temp_from"] == "meter"
    # 1278 µS/cm at 20 °C and 1305 at 21 (EPA 120.1), as a meter with 2 %/°C shows them near 21 °C
    assert check["expected"] == pytest.approx(
        1413 * (1 + 0.0191 * -3.9) / (1 - 0.02 * 3.9), rel=0.01
    )
    assert said["capture"]["budgets"]["ph"]["k"] == pytest.approx(1.96, abs=0.01)
    with Records.open(ouzel.folder / "water.db") as records:
        capture = records.capture(check["capture_id"])
        assert (capture.state, capture.role) == (CaptureState.FINAL, Role.SOLUTION)
        assert {c.quantity for c in records.checks(meter="kitchen")} == {"ph", "conductivity"}
    out = ouzel.run("meter", "kitchen").stdout
    assert re.search(r"pH: good until \d{4}-\d\d-\d\d \(check \w{8} passed\)", out)
    assert "Conductivity: good until" in out
    assert "Never checked: ORP" in out


def test_a_meter_that_is_off_fails_is_corrected_and_the_correction_is_taken_back(ouzel):
    ouzel.configure()
    words = ("buffer-7.00", "--json", *WORDS)
    failed = json.loads(dip(ouzel, "buffer_7", PH_HIGH, "check", *words, code=7).stdout)
    (check,) = failed["checks"]
    assert check["bias"] == pytest.approx(Bias.drawn(int(PH_HIGH)).ph, abs=0.02)
    name = check["capture_id"]
    assert f"check {name} failed" in ouzel.run("meter", "kitchen").stdout

    refused = ouzel.run("correct", "kitchen", "ph", "--from", name, code=2)  # nobody to ask
    assert "--yes" in refused.stderr
    assert "In force: nothing" in ouzel.run("correct", "kitchen", "ph").stdout
    shown = ouzel.run("correct", "kitchen", "ph", "--from", name, "--yes").stdout
    assert f"corrected by {-check['bias']:+.4g} (check {name})" in shown

    passed = json.loads(dip(ouzel, "buffer_7", PH_HIGH, "check", *words).stdout)
    (again,) = passed["checks"]
    assert again["verdict"] == "pass"
    assert again["bias"] == pytest.approx(check["bias"], abs=0.02)  # the meter's own is kept
    values, derived = passed["capture"]["values"], passed["capture"]["derived"]
    assert derived["ph"]["value"] == pytest.approx(values["ph"]["value"] - check["bias"])
    assert derived["ph"]["expanded_u"] > values["ph"]["expanded_u"]
    assert (derived["ph"]["source"], values["ph"]["source"]) == ("derived", "meter")
    exported = ouzel.run("export", "csv", "captures").stdout
    assert "derived,corrected by" in exported
    assert "pH: corrected by" in ouzel.run("meter", "kitchen").stdout

    out = ouzel.run("correct", "kitchen", "ph", "--undo", "--yes").stdout
    assert "Then:      no correction" in out
    done = json.loads(dip(ouzel, "buffer_7", PH_HIGH, "capture", "--json", *WORDS).stdout)
    assert "ph" not in done["derived"]
    assert "no correction of ph" in ouzel.run("correct", "kitchen", "ph", "--undo", code=5).stderr


def test_a_cell_that_is_off_fails_in_the_standard_and_is_corrected_in_proportion(ouzel):
    ouzel.configure()
    words = ("check", "kcl-1413", "--json", *WORDS)
    (check,) = json.loads(dip(ouzel, "kcl_1413", EC_HIGH, *words, code=7).stdout)["checks"]
    words = ("correct", "kitchen", "conductivity", "--from", check["capture_id"], "--json")
    proposed = json.loads(ouzel.run(*words).stdout)
    assert proposed["in_force"] is False
    assert proposed["gain"] == pytest.approx(1 / Bias.drawn(int(EC_HIGH)).conductivity, rel=0.01)
    assert proposed["offset"] == 0.0


def test_two_buffers_show_the_slope_and_a_wrong_bottle_is_named_and_left_out(ouzel):
    ouzel.configure()
    first = dip(ouzel, "buffer_7", GOOD, "check", "buffer-7.00", "--json", *WORDS)
    wrong = dip(ouzel, "buffer_4", GOOD, "check", "buffer-7.00", *WORDS, code=7)
    assert "was it the right bottle?" in unwrapped(wrong)
    assert "buffer-4.01" in wrong.stdout
    assert "correct kitchen" not in wrong.stdout
    name = wrong.stdout.split("Stored as check ")[1].split()[0]
    # The capture need not be taken again: it was only held against the wrong name.
    again = ouzel.run("check", "buffer-4.01", "--capture", name, "--json")
    state = json.loads(ouzel.run("meter", "kitchen", "--json").stdout)
    electrode = state["electrode"]
    assert electrode["slope_percent"] == pytest.approx(
        100 * Bias.drawn(int(GOOD)).ph_slope, abs=1.0
    )
    assert electrode["verdict"] == "good"
    assert any("USGS" in reason for reason in electrode["reasons"])
    assert state["quantities"]["ph"]["is_good"]
    ids = [json.loads(done.stdout)["checks"][0]["capture_id"] for done in (first, again)]
    line = json.loads(
        ouzel.run("correct", "kitchen", "ph", "--from", *ids, "--yes", "--json").stdout
    )
    assert (line["pivot"], line["in_force"]) == (7.0, True)
    assert line["gain"] == pytest.approx(1.0, abs=0.01)


def test_a_pure_water_is_flagged_under_its_capture_and_explained_with_a_budget(ouzel):
    ouzel.configure()
    words = ("capture", "--explain", "--speed", "60", "--timeout", "3600")
    out = dip(ouzel, "reverse_osmosis", GOOD, *words).stdout
    assert "USGS NFM A6.4" in out
    assert "uncertainty budget (GUM)" in out
    assert "the meter's accuracy (its maker's ±)" in out
    assert "effective degrees of freedom" in out
    with Records.open(ouzel.folder / "water.db") as records:
        (event,) = [e for e in records.events(kind="finding") if e.data["about"] == "ph"]
        (capture,) = records.captures(state=CaptureState.FINAL)
        assert event.data["capture"] == capture.id


def test_what_does_not_settle_ends_with_code_4_and_is_no_check(ouzel):
    ouzel.configure()
    words = ("check", "buffer-7.00", "--speed", "60", "--timeout", "15")
    assert "not settled" in dip(ouzel, "buffer_7", GOOD, *words, code=4).stderr
    with Records.open(ouzel.folder / "water.db") as records:
        assert records.checks() == []


OWN = """
[[solution]]
name = "cellar"
label = "Standard from the cellar"
source = "its label"
opened_days = 10
[[solution.expects]]
quantity = "orp"
formula = "light"
tolerance = 10.0
"""


def test_the_catalogue_is_shown_with_its_cautions_and_a_persons_own_solutions(ouzel):
    (ouzel.folder / "mine.toml").write_text(OWN, encoding="utf-8")
    ouzel.configure('[bench]\nsolutions = "mine.toml"')
    out = unwrapped(ouzel.run("check", "--list"))
    assert "cellar Standard from the cellar" in out
    assert "hydrogen cyanide" in out  # of ZoBell's solution, near acid
    assert "keeps 90 days opened" in out
    assert "never show that a water is safe to drink" in out
    listed = {one["name"]: one for one in json.loads(ouzel.run("check", "--list", "--json").stdout)}
    assert listed["zobell"]["quantities"] == ["orp"]
    assert listed["cellar"]["opened_days"] == 10
    (ouzel.folder / "mine.toml").write_text(OWN.replace("light", "dark"), encoding="utf-8")
    for command in (("check", "--list"), ("config", "check")):
        assert "mine.toml" in ouzel.run(*command, code=2).stderr


def test_an_old_bottle_is_warned_of_and_its_cautions_shown_before_anything_else(ouzel):
    ouzel.configure()
    long_ago = f"{datetime.now() - timedelta(days=200):%Y-%m-%d}"  # noqa: DTZ005 - local on purpose
    words = ("check", "borate", "--opened", long_ago, "--speed", "60", "--timeout", "15")
    err = dip(ouzel, "buffer_7", GOOD, *words, code=4).stderr
    assert err.index("Harmful if swallowed") < err.index("opened 200 days ago and keeps 30")


@pytest.mark.parametrize(
    ("words", "code", "expected"),
    [
        (("check",), 2, "--list"),
        (("check", "bufer-7.00"), 2, "buffer-7.00"),
        (("check", "zobell"), 6, "reference electrode"),
        (("check", "buffer-7.00", "--temperature", "hot"), 2, "-5 to 100"),
        (("check", "buffer-7.00", "--opened", "yesterday"), 2, "2026-03-01"),
        (("check", "buffer-7.00", "--opened", "2999-01-01"), 2, "past"),
        (("check", "buffer-7.00", "--capture", "c1"), 5, "no store"),
        (("meter", "kitchen"), 5, "no store"),
        (("correct", "cellar", "ph", "--undo"), 2, "kitchen"),
        (("correct", "kitchen", "taste", "--undo"), 2, "conductivity"),
        (("correct", "kitchen", "ph", "--undo", "--from", "c1"), 2, "not allowed with"),
    ],
)  # fmt: skip
def test_bad_input_is_one_clear_line_before_anybody_waits(ouzel, words, code, expected):
    ouzel.configure()
    done = ouzel.run(*words, code=code)
    assert expected in done.stderr
    assert "Traceback" not in done.stderr
