"""Slow tails in the budgets, and which flags speak against a verdict."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import pytest

from acquire.bench import flagged
from acquire.bench.budgets import budgets
from acquire.bench.comparison import compare
from acquire.bench.flagged import grave, is_grave
from acquire.bench.slow_tail import slow_tail
from acquire.bench.standing import Explanation
from acquire.readings import Capture, CaptureState, Channel, Role, SettledValue, Stamp

CHANNELS = {
    "ph": Channel("ph", 0.01, accuracy=0.05),
    "orp": Channel("orp", 1.0, accuracy=5.0),
    "conductivity": Channel("conductivity", 1.0, accuracy_relative=0.02, reference_c=25.0),
    "temperature": Channel("temperature", 0.1, accuracy=0.5),
}


def capture(name="a", *, role=Role.SUBJECT, drift=0.0, **values):
    said = {
        q: SettledValue(q, v, 0.02, "settled", drift, 40.0, budget={"noise": 0.01})
        for q, v in values.items()
    }
    at = Stamp(1_790_000_000_000, 10**9)
    return Capture(name, "kitchen", CaptureState.FINAL, at, at, said, name, role)


def tail_u(one, quantity):
    found = slow_tail(one, one.values[quantity])
    return 0.0 if found is None else found.u


def test_platinum_may_be_15_mv_away_where_no_drift_is_seen_and_more_where_one_is():
    assert tail_u(capture(orp=240.0), "orp") == pytest.approx(15.0 / math.sqrt(3))
    moving = tail_u(capture(orp=240.0, drift=-2.0), "orp")
    assert moving == pytest.approx(25.0 / math.sqrt(3))
    assert tail_u(capture(orp=240.0, drift=math.nan), "orp") == pytest.approx(15.0 / math.sqrt(3))


def test_the_ph_of_a_water_is_the_surer_the_more_ions_it_has():
    waters = [capture(ph=6.2, conductivity=ec) for ec in (-1.0, 0.0, 5.0, 20.0, 99.0, 100.0, 500.0)]
    found = [tail_u(one, "ph") for one in waters]
    assert found[0] == found[1] == pytest.approx(2 * found[2])
    assert found == sorted(found, reverse=True)
    assert found[-2:] == [0.0, 0.0]
    assert tail_u(capture(ph=6.2, tds=2.5), "ph") == found[2]
    assert tail_u(capture(ph=6.2), "ph") == 0.0


def test_solutions_of_known_value_and_other_quantities_have_none():
    known = capture(role=Role.SOLUTION, orp=220.0, ph=4.0, conductivity=3.0)
    assert [tail_u(known, q) for q in known.values] == [0.0, 0.0, 0.0]
    one = capture(orp=240.0, temperature=20.0)
    assert tail_u(one, "temperature") == 0.0
    orp = one.values["orp"]
    assert slow_tail(one, replace(orp, source="imported")) is None
    assert slow_tail(one, replace(orp, phase="settling")) is None


def test_repeats_do_not_average_it():
    several = [capture(name, orp=240.0) for name in "bcd"]
    (one,) = compare(capture(orp=240.0), several, {"kitchen": CHANNELS}).rows
    tails = {p.name: p.u for p in one.budget.components if p.name.startswith("slow tail")}
    assert len(tails) == 2
    assert tails == dict.fromkeys(tails, pytest.approx(15.0 / math.sqrt(3)))


def test_it_stands_in_the_budget_of_a_capture():
    one = capture(orp=240.0, ph=6.0, conductivity=2.0)
    found = budgets(one, Explanation("kitchen", "a", {}, CHANNELS))
    assert found["orp"].expanded() > 15.0
    assert "slow tail" in [p.name for p in found["ph"].components]
    assert "slow tail" not in [p.name for p in found["conductivity"].components]


def test_only_grave_flags_speak_against_a_verdict_the_others_are_told():
    a, b = capture("a", conductivity=20.0, temperature=20.0), capture("b", conductivity=500.0)
    for flag, verdict in (
        ("lifted after 40 s", "yes"),
        ("somebody said that it is b", "yes"),
        ("perhaps another water: it reads like a", "cannot tell"),
        ("3.0 °C warmer than a: let both stand until they are within 2 °C", "cannot tell"),
    ):
        found = compare(a, b, {"kitchen": CHANNELS}, flags={"b": (flag,)})
        row = found.rows[0]
        assert (row.verdict, row.is_withheld) == (verdict, verdict != "yes"), flag
        assert any(flag in note for note in found.notes) == (verdict == "yes")


def test_warmth_does_not_speak_against_a_difference_of_temperature():
    flags = ["3.0 °C colder than tap: let both stand"]
    assert is_grave(flags)
    assert grave(flags, "orp") == tuple(flags)
    assert grave(flags, "temperature") == ()


@pytest.mark.parametrize(
    "flag",
    [
        "perhaps another water: it reads like tap",
        "perhaps another water, or not at rest: other repeats read otherwise",
        "tap reads like it: was it in the right glass, both times?",
        "carry-over: pH of the first repeat +1.2 off the later ones, towards sea",
        "it did not come to rest: ph still drifts",
        "3.0 °C warmer than ro: let both stand until they are within 2 °C",
        "3.0 °C colder than ro: let both stand until they are within 2 °C",
    ],
)
def test_what_earlier_versions_kept_stays_grave(flag):
    assert is_grave([flag])


def test_every_grave_wording_is_one_that_a_walk_uses():
    folder = Path(flagged.__file__).parent
    text = "".join(path.read_text("utf-8") for path in folder.glob("walk*.py"))
    code = re.sub(r"^from acquire\.bench\.flagged import .*$", "", text, flags=re.MULTILINE)
    words = ("PERHAPS", "RIGHT_GLASS", "CARRY_OVER", "NOT_AT_REST", "WARMER", "COLDER")
    for name in words:
        assert re.search(rf"\b{name}\b", code), name
        assert f'"{getattr(flagged, name)}' not in code, f"{name} is written twice"
        assert grave([f"a {getattr(flagged, name)} b"]), name
