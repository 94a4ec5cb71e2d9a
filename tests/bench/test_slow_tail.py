"""Slow tails in the budgets, and which flags speak against a verdict."""

from __future__ import annotations

import math
import random
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
from acquire.bench.warmth import warmth_makes
from acquire.readings import Capture, CaptureState, Channel, Role, SettledValue, Stamp
from acquire.water.equilibrium import log_kw
from acquire.water.redox import zobell

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
    (alone,) = compare(capture(orp=240.0), capture("b", orp=240.0), {"kitchen": CHANNELS}).rows
    parts = ({p.name: p.u for p in row.budget.components} for row in (one, alone))
    assert [p["slow tail"] for p in parts] == [pytest.approx(0.35 * 15.0 * math.sqrt(2 / 3))] * 2


def tail_parts(there, *, months=0, meter="kitchen", **values):
    """Give by name the parts of a difference that no settling sees."""
    one, other = capture("a", **values), capture("b", **there)
    at = Stamp(other.taken.at_ms + months * 30 * 86_400_000, 10**9)
    other = replace(other, meter=meter, started=at, taken=at)
    (row,) = compare(one, other, {"kitchen": CHANNELS, "travel": CHANNELS}).rows
    kept = ("slow tail", "memory")
    return {p.name: p.u for p in row.budget.components if p.name.startswith(kept)}


def test_one_platinum_errs_alike_in_two_waters_that_are_alike():
    found = tail_parts({"orp": 240.0}, orp=240.0)
    assert found == {
        "slow tail": pytest.approx(0.35 * 15.0 * math.sqrt(2 / 3)),
        "memory of the other water": 0.0,
    }


def test_a_step_between_waters_may_be_shown_too_small_but_no_more_than_is_left_of_it():
    small, large = tail_parts({"orp": 250.0}, orp=240.0), tail_parts({"orp": 540.0}, orp=240.0)
    assert small["memory of the other water"] == pytest.approx(0.8 * 10.0 / math.sqrt(3))
    most = 1.5 * 15.0 * math.sqrt(2 / 3)
    assert large["memory of the other water"] == pytest.approx(most)


@pytest.mark.parametrize("other", [{"months": 2}, {"meter": "travel"}])
def test_another_meter_or_another_month_shares_no_memory(other):
    found = tail_parts({"orp": 240.0}, orp=240.0, **other)
    assert sorted(found) == ["slow tail (reference)", "slow tail (subject)"]
    assert list(found.values()) == [pytest.approx(15.0 / math.sqrt(3))] * 2


def test_a_memory_that_fades_is_covered_whatever_it_was():
    """An electrode that keeps a part of where it was, stepped from water to water: equation above.

    The tail starts anywhere, decays with 5 to 15 min, and both captures wait until they drift by
    less than 5 mV/min and at least two minutes.
    """
    draw = random.Random(5)
    inside, trials = 0, 2000
    for _ in range(trials):
        truths = [240.0, 240.0 + draw.choice((0.0, draw.gauss(0.0, 150.0)))]
        tau, share, slow = draw.uniform(5.0, 15.0), draw.uniform(0.2, 0.7), draw.gauss(240.0, 60.0)
        said = []
        for truth in truths:
            wait = max(2.0, tau * math.log(max(share * abs(slow - truth) / tau / 5.0, 1e-9)))
            slow = truth + (slow - truth) * math.exp(-wait / tau)
            left = share * (slow - truth)
            said.append(capture(orp=truth + left, drift=-left / tau))
        (row,) = compare(*said, {"kitchen": CHANNELS}).rows
        inside += abs(row.difference - (truths[1] - truths[0])) <= row.expanded_u
    assert inside / trials >= 0.93


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
    ):
        found = compare(a, b, {"kitchen": CHANNELS}, flags={"b": (flag,)})
        row = found.rows[0]
        assert (row.verdict, row.is_withheld) == (verdict, verdict != "yes"), flag
        assert any(flag in note for note in found.notes) == (verdict == "yes")


def test_a_doubted_repeat_does_not_count_where_another_does():
    here = capture("a", conductivity=20.0, ph=7.0)
    there = [capture("b", conductivity=19.0, ph=7.0), capture("c", conductivity=500.0, ph=7.0)]
    flags = {"b": ("carry-over: towards a",)}
    found = compare(here, there, {"kitchen": CHANNELS}, flags=flags)
    row = found.rows[0]
    assert (row.verdict, row.subject.values, row.subject.captures) == ("yes", (500.0,), ("c",))
    assert "Capture b does not count, its repeats do: carry-over: towards a." in found.notes
    every = {**flags, "c": ("perhaps another water: it reads like a",)}
    row = compare(here, there, {"kitchen": CHANNELS}, flags=every).rows[0]
    assert (row.verdict, row.is_withheld) == ("cannot tell", True)
    assert "carry-over" in row.why
    assert "perhaps" in row.why


def test_a_repeat_that_did_not_settle_in_one_quantity_counts_for_the_others():
    here, moving = capture("a", orp=240.0, ph=7.0), capture("b", orp=100.0, ph=7.5)
    values = {**moving.values, "orp": replace(moving.values["orp"], phase="moving")}
    there = [replace(moving, values=values), capture("c", orp=240.0, ph=7.5)]
    found = compare(here, there, {"kitchen": CHANNELS})
    rows = {row.quantity: row for row in found.rows}
    assert rows["orp"].subject.captures == ("c",)
    assert rows["ph"].subject.captures == ("b", "c")
    assert rows["orp"].verdict == "no"
    assert any("b does not count for ORP" in note for note in found.notes)
    alone = compare(here, there[:1], {"kitchen": CHANNELS}).rows
    assert {row.quantity: row.verdict for row in alone} == {"orp": "cannot tell", "ph": "yes"}


@pytest.mark.parametrize(
    ("quantity", "here", "there", "verdict"),
    [
        ("conductivity", 14.0, 488.0, "yes"),  # no warmth makes that
        ("conductivity", 488.0, 500.0, "cannot tell"),  # 5 °C x 0.5 % = 12.5
        ("ph", 6.2, 7.6, "yes"),
        ("ph", 7.0, 7.08, "cannot tell"),  # 5 °C x 0.02 = 0.10
        ("orp", 240.0, 252.0, "cannot tell"),
        ("orp", 240.0, 640.0, "yes"),
        ("temperature", 15.0, 20.0, "yes"),
    ],
)
def test_waters_not_equally_warm_differ_where_warmth_cannot_make_it(quantity, here, there, verdict):
    warm = {"temperature": 15.0, quantity: here}, {"temperature": 20.0, quantity: there}
    a, b = capture("a", **warm[0]), capture("b", **warm[1])
    flag = "5.0 °C warmer than a: let both stand until they are within 2 °C"
    found = compare(a, b, {"kitchen": CHANNELS}, flags={"b": (flag,)})
    row = next(row for row in found.rows if row.quantity == quantity)
    assert (row.verdict, row.is_withheld) == (verdict, False)
    assert any("5.0 °C apart" in note for note in found.notes)
    assert ("5.0 °C" in row.why) == (quantity != "temperature")


def test_what_warmth_makes_of_neutral_water_and_of_a_redox_standard_is_allowed_for():
    """Half of pKw from 0 to 25 °C (IAPWS R11-07, as `log_kw`); ZoBell (Nordstrom 1977)."""
    ph = (log_kw(25.0) - log_kw(0.0)) / 2.0
    assert ph <= warmth_makes("ph", 7.0, 25.0, is_compensated=False)
    zobells = [zobell(t).value for t in (10.0, 25.0)]
    made = warmth_makes("orp", 430.0, 15.0, is_compensated=False)
    assert abs(zobells[0] - zobells[1]) <= made <= 1.5 * abs(zobells[0] - zobells[1])
    assert warmth_makes("conductivity", 500.0, -10.0, is_compensated=True) == 25.0
    assert warmth_makes("conductivity", 500.0, 10.0, is_compensated=False) == 150.0
    assert warmth_makes("ph", 7.0, 1.9, is_compensated=False) == 0.0
    assert warmth_makes("ph", 7.0, math.nan, is_compensated=False) == 0.0
    assert warmth_makes("temperature", 20.0, 9.0, is_compensated=False) == 0.0
    assert math.isinf(warmth_makes("turbidity", 1.0, 9.0, is_compensated=False))


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
