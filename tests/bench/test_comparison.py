"""What differs between two waters: the arithmetic, its coverage, and when nothing is said."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest
import uncertainties

from acquire.bench.comparison import compare
from acquire.bench.derive import derive
from acquire.bench.differing import Scatter, scatter_of
from acquire.checks import Anchor, StandingCorrection
from acquire.readings import Capture, CaptureState, Channel, Role, SettledValue, Stamp
from acquire.water.corrections import Correction

CHANNELS = {
    "kitchen": {
        "ph": Channel("ph", 0.01, accuracy=0.05),
        "orp": Channel("orp", 1.0, accuracy=5.0, reference_electrode="ag-agcl-3m"),
        "conductivity": Channel(
            "conductivity", 1.0, accuracy_relative=0.02, reference_c=25.0, coefficient=0.02
        ),
        "tds": Channel("tds", 1.0, accuracy_relative=0.02, follows="conductivity"),
        "temperature": Channel("temperature", 0.1, accuracy=0.5),
    }
}
CHANNELS["travel"] = CHANNELS["kitchen"]
ORP_TAIL = 15.0 / math.sqrt(3)


def settled(quantity, value, u=0.01, **more):
    return SettledValue(quantity, value, 2 * u, "settled", 0.0, 40.0, budget={"noise": u}, **more)


def capture(name, values, *, water="tap", meter="kitchen", at_s=0.0, corrections=None, u=0.01):
    said = {q: settled(q, v, u) for q, v in values.items()}
    stamp = Stamp(1_790_000_000_000 + round(at_s * 1000), round(at_s * 1e9))
    end = Stamp(stamp.at_ms + 60_000, stamp.mono_ns + 60_000_000_000)
    derived = derive(said, CHANNELS[meter], corrections) if corrections else {}
    return Capture(
        name, meter, CaptureState.FINAL, stamp, end, said, water, Role.SUBJECT, "", derived
    )


def row(found, quantity):
    return next(one for one in found.rows if one.quantity == quantity)


def test_an_offset_cancels_and_an_error_in_proportion_does_not():
    a = capture("a", {"orp": 200.0, "conductivity": 100.0}, water="ro")
    b = capture("b", {"orp": 500.0, "conductivity": 500.0})
    found = compare(a, b, CHANNELS)
    orp, conductivity = row(found, "orp"), row(found, "conductivity")
    assert orp.difference == 300.0
    # Noise and resolution of both, what their slow tails leave, nothing of the 5 mV.
    tails = 2 * (0.35**2 + 1.5**2) * ORP_TAIL**2
    assert orp.budget.u == pytest.approx(math.sqrt(2 * (0.01**2 + 1 / 12) + tails))
    # The 2 % of the maker, a rectangle, of the difference: an independent library agrees.
    gain = uncertainties.ufloat(1.0, 0.02 / math.sqrt(3))
    u = math.sqrt(0.01**2 + 1 / 12)
    want = uncertainties.ufloat(500.0, u) * gain - uncertainties.ufloat(100.0, u) * gain
    assert conductivity.budget.u == pytest.approx(want.std_dev, rel=1e-6)
    # In the ratio it cancels altogether.
    quotient = uncertainties.ufloat(500.0, u) / uncertainties.ufloat(100.0, u)
    half = (conductivity.ratio.high - conductivity.ratio.low) / 2
    assert half / conductivity.budget.k() == pytest.approx(quotient.std_dev, rel=1e-3)


def test_two_meters_share_nothing():
    a = capture("a", {"orp": 200.0}, water="ro")
    b = capture("b", {"orp": 500.0}, meter="travel")
    found = compare(a, b, CHANNELS)
    u = math.sqrt(2 * (0.01**2 + 1 / 12 + 25 / 3 + ORP_TAIL**2))
    assert row(found, "orp").budget.u == pytest.approx(u)
    assert any("Two meters" in note for note in found.notes)


def test_months_apart_the_meter_may_have_drifted():
    a = capture("a", {"orp": 200.0})
    b = capture("b", {"orp": 203.0}, at_s=40 * 86_400)
    found = compare(a, b, CHANNELS)
    assert row(found, "orp").budget.u > 4.0
    assert any("40 days apart" in note for note in found.notes)


def line(first, second):
    gain = (second.expected - first.expected) / (second.said - first.said)
    pivot = first.said
    return StandingCorrection(
        "kitchen",
        "ph",
        Correction(offset=first.expected - first.said, gain=gain, pivot=pivot),
        (first, second),
        1,
    )


def test_what_a_correction_shares_cancels_by_its_anchors():
    standing = line(Anchor(4.05, 4.00, 0.02, "k1"), Anchor(7.02, 7.00, 0.01, "k2"))
    corrections = {"ph": standing}
    a = capture("a", {"ph": 5.0}, corrections=corrections)
    b = capture("b", {"ph": 8.0}, corrections=corrections)
    found = row(compare(a, b, CHANNELS, [standing]), "ph")
    low, high = uncertainties.ufloat(0.0, 0.02), uncertainties.ufloat(0.0, 0.01)

    def error(said):
        w = (said - 4.05) / (7.02 - 4.05)
        return (1 - w) * low + w * high

    want = error(8.0) - error(5.0)
    shares = {part.name: part.u for part in found.budget.components}
    assert shares["check"] == pytest.approx(want.std_dev, rel=1e-9)
    assert "accuracy" not in shares
    same = row(compare(a, replace(a, id="c"), CHANNELS, [standing]), "ph")
    assert "check" not in {part.name for part in same.budget.components}


def test_a_ratio_is_given_only_where_it_means_something():
    a = capture("a", {"ph": 7.0, "orp": 200.0, "temperature": 20.0, "conductivity": 100.0})
    found = compare(a, replace(a, id="b", water="b"), CHANNELS)
    assert {one.quantity for one in found.rows if one.ratio is not None} == {"conductivity"}


def test_a_water_that_cannot_be_told_from_nothing_has_no_bounded_ratio():
    a, b = capture("a", {"conductivity": 0.4}), capture("b", {"conductivity": 500.0})
    found = compare(a, b, CHANNELS)
    assert not row(found, "conductivity").ratio.bounded
    assert not [one for one in found.derived if one.name == "rejection"]


def test_the_verdict_is_by_the_interval():
    a = capture("a", {"ph": 7.00})
    assert row(compare(a, capture("b", {"ph": 7.30}), CHANNELS), "ph").verdict == "yes"
    none = row(compare(a, capture("b", {"ph": 7.01}), CHANNELS), "ph")
    assert none.verdict == "no"
    assert "0.1 would have shown" in none.why
    vague = compare(a, capture("b", {"ph": 7.01}), CHANNELS, matters={"ph": 0.02})
    assert row(vague, "ph").verdict == "cannot tell"
    small = compare(a, capture("b", {"ph": 7.04}), CHANNELS)
    assert row(small, "ph").verdict == "yes"
    assert "smaller than what matters" in row(small, "ph").why


def test_nothing_is_told_of_what_did_not_settle_or_is_suspect():
    a, b = capture("a", {"ph": 7.0}), capture("b", {"ph": 8.0})
    moving = replace(b, values={"ph": replace(b.values["ph"], phase="moving")})
    found = row(compare(a, moving, CHANNELS), "ph")
    assert (found.verdict, found.difference) == ("cannot tell", None)
    assert "subject" in found.why
    flagged = compare(a, b, CHANNELS, flags={"b": ("perhaps another water: it reads like ro",)})
    assert row(flagged, "ph").verdict == "cannot tell"
    assert "reads like ro" in row(flagged, "ph").why
    failed = compare(a, b, CHANNELS, failing={("kitchen", "ph"): "check k1 failed"})
    assert (row(failed, "ph").verdict, row(failed, "ph").why) == ("cannot tell", "check k1 failed")
    kept = replace(b, values={"ph": replace(b.values["ph"], source="imported")})
    assert row(compare(a, kept, CHANNELS), "ph").verdict == "cannot tell"


def test_repeats_that_scatter_more_than_they_say_widen_the_interval():
    some = [capture(f"a{n}", {"ph": v}) for n, v in enumerate((7.00, 7.10, 7.05))]
    other = [capture(f"b{n}", {"ph": v}) for n, v in enumerate((7.50, 7.41))]
    found = row(compare(some, other, CHANNELS), "ph")
    squares = (0.05**2 + 0.05**2) + 2 * 0.045**2
    s2 = squares / 3
    # All of the variance then is that of the scatter, with its three degrees of freedom.
    assert found.budget.u**2 == pytest.approx(s2 * (1 / 3 + 1 / 2), rel=0.02)
    assert found.budget.dof == pytest.approx(3, rel=0.05)
    assert found.budget.k() == pytest.approx(3.182, abs=0.001)  # Student's table, 3 dof


def test_repeats_that_agree_change_nothing_but_the_noise():
    some = [capture(f"a{n}", {"ph": 7.0}) for n in range(4)]
    found = row(compare(some, capture("b", {"ph": 7.5}), CHANNELS), "ph")
    assert not [p for p in found.budget.components if p.name == "between repeats"]
    noise = {p.name: p.u for p in found.budget.components if p.name.startswith("noise")}
    assert noise["noise (reference)"] == pytest.approx(0.005)


def test_scatter_is_pooled_in_tolerances():
    found = scatter_of("conductivity", [(10.0, 12.0), (1000.0, 1020.0), (5.0,)])
    # ±1 of a tolerance of 1, ±10 of one of 10.1.
    assert found == Scatter(pytest.approx(math.sqrt((2 + 2 * (10 / 10.1) ** 2) / 2)), 2)
    assert scatter_of("ph", [(7.0,)]) is None


@pytest.mark.parametrize(("repeats", "between"), [(1, 0.0), (2, 0.03), (3, 0.08)])
def test_the_interval_covers_the_true_difference(repeats, between):
    """Monte Carlo with its own model: one offset and one slope a meter, noise and effect a dip."""
    draw = random.Random(7)
    covered = false = 0
    trials = 600
    for trial in range(trials):
        offset, slope = draw.uniform(-0.05, 0.05), draw.uniform(-0.05, 0.05) / 7
        true = draw.uniform(5, 9), draw.uniform(5, 9)
        equal = trial % 2 == 0
        if equal:
            true = true[0], true[0]
        sides = [
            [
                capture(
                    f"{side}{n}",
                    {
                        "ph": level
                        + offset
                        + slope * (level - 7)
                        + draw.gauss(0, between)
                        + draw.gauss(0, 0.01)
                        + draw.uniform(-0.005, 0.005)
                    },
                )
                for n in range(repeats)
            ]
            for side, level in enumerate(true)
        ]
        found = row(compare(*sides, CHANNELS), "ph")
        covered += abs(found.difference - (true[1] - true[0])) <= found.expanded_u
        false += equal and found.verdict == "yes"
    # Two dips each (two degrees of freedom) and an excess of about the noise is the worst case.
    assert covered / trials >= 0.93
    assert false / (trials / 2) <= 0.07


def test_limits_classes_findings_and_derived_stand_beside():
    a = capture(
        "a", {"conductivity": 20.0, "tds": 10.0, "ph": 6.2, "temperature": 20.0}, water="ro"
    )
    b = capture(
        "b",
        {"conductivity": 500.0, "tds": 250.0, "ph": 7.6, "orp": 560.0, "temperature": 20.5},
    )
    found = compare(a, b, CHANNELS)
    places = {(p.side, p.limit.name): p.found.place for p in found.places}
    assert places["reference", "us-secondary-ph"] == "outside"
    assert places["subject", "us-secondary-ph"] == "inside"
    # 2500 µS/cm at 20 °C are 2790 at 25 °C (German drinking water ordinance).
    limit = next(p.limit for p in found.places if p.limit.name == "eu-conductivity")
    assert limit.upper == pytest.approx(2790, abs=10)
    assert not [p for p in found.places if p.limit.applies_to]
    assert {c.side: c.labels for c in found.classes} == {
        "reference": ("excellent",),
        "subject": ("excellent",),
    }
    assert any(one.about == "ph" for _, one in found.findings)  # too little dissolved
    rejection = next(d for d in found.derived if d.name == "rejection")
    assert rejection.value == pytest.approx(96.0)
    assert rejection.low < 96.0 < rejection.high
    eh = next(d for d in found.derived if d.name == "eh")
    assert eh.value == pytest.approx(560 + 213, abs=4)  # Ag/AgCl 3 mol/L at 20.5 °C


def test_waters_of_different_temperature_are_compared_with_a_word():
    a = capture("a", {"ph": 7.0, "temperature": 12.0})
    b = capture("b", {"ph": 7.5, "temperature": 20.0})
    assert any("8.0 °C apart" in note for note in compare(a, b, CHANNELS).notes)


@pytest.mark.parametrize("shown", [0.0, -0.0, 0.4])
def test_a_water_in_which_the_meter_shows_nothing_is_compared(shown):
    tap = capture("a", {"tds": 200.0, "conductivity": 400.0})
    thin = capture("b", {"tds": shown, "conductivity": shown}, water="ro")
    for pair in ((tap, thin), (thin, tap)):
        found = compare(*pair, CHANNELS)
        assert row(found, "tds").verdict == "yes"
    removed = [one for one in compare(tap, thin, CHANNELS).derived if one.name == "rejection"]
    assert {one.method.rpartition(", ")[2] for one in removed} == {"reference to subject"}
    for one in removed:
        assert 99.0 < one.low <= one.value <= one.high <= 100.0


def test_what_speaks_against_a_difference_speaks_against_what_was_removed():
    pair = (
        capture("a", {"tds": 200.0, "conductivity": 400.0}),
        capture("b", {"tds": 20.0, "conductivity": 40.0}, water="ro"),
    )
    failing = {("kitchen", "conductivity"): "check k failed with a solution"}
    found = compare(*pair, CHANNELS, failing=failing)
    assert row(found, "conductivity").verdict == "cannot tell"
    said = [one.method for one in found.derived if one.name == "rejection"]
    assert len(said) == 1
    assert "by tds" in said[0]


def test_an_imported_value_meets_no_limit_and_has_no_class():
    """Its ± is only that of the last written digit: within a limit by that says nothing."""
    known = capture("a", {"ph": 7.2, "tds": 200.0})
    kept = {
        name: replace(value, source="imported", expanded_u=0.006, budget={"resolution": 0.003})
        for name, value in known.values.items()
    }
    found = compare(known, replace(known, id="b", values=kept, water="old"), CHANNELS)
    places = {(place.side, place.found.place) for place in found.places}
    assert ("reference", "inside") in places
    assert {place for side, place in places if side == "subject"} == {"cannot tell"}
    assert {one.side for one in found.classes} == {"reference"}


def test_what_speaks_against_a_value_speaks_against_its_limits_and_class_too():
    a = capture("a", {"ph": 7.2, "tds": 200.0})
    b = capture("b", {"ph": 9.4, "tds": 210.0}, water="well")
    failing = {("kitchen", "ph"): "check k failed", ("kitchen", "tds"): "check k failed"}
    sound, doubted = compare(a, b, CHANNELS), compare(a, b, CHANNELS, failing=failing)
    assert ("subject", "outside") in {(p.side, p.found.place) for p in sound.places}
    assert sound.classes
    assert {place.found.place for place in doubted.places} == {"cannot tell"}
    assert all("check k failed" in place.found.reason for place in doubted.places)
    assert not doubted.classes


def test_a_value_without_any_uncertainty_is_not_taken_for_an_exact_one():
    a, b = capture("a", {"ph": 7.20}), capture("b", {"ph": 7.20})
    bare = replace(b.values["ph"], budget={}, expanded_u=math.inf)
    found = compare(a, replace(b, values={"ph": bare}), CHANNELS)
    assert row(found, "ph").verdict == "cannot tell"
    assert row(found, "ph").subject is None
