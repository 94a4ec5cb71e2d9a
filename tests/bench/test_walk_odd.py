"""What is odd about a visit, which water values fit, and how it is put into sentences."""

from __future__ import annotations

import pytest

from acquire.bench.walk_course import Course
from acquire.bench.walk_odd import carry_over, check_flags, not_rinsed, temperature_apart
from acquire.bench.walk_which import ANOTHER, Which
from acquire.bench.walk_words import invited, stop_in_words, told_then
from acquire.checks import Check
from acquire.readings import Capture, CaptureState, Channel, Role, SettledValue, Stamp
from acquire.rounds import Round, Stop, Visit
from acquire.water.solutions import built_in_solutions

T0_MS = 1_790_000_000_000
CHANNELS = (Channel("ph", 0.01), Channel("conductivity", 1.0), Channel("temperature", 0.1))
RINSE = Stop("rinse", "distilled", Role.RINSE, least_s=20.0)
COUNT = Stop("count", "tap")
SEA = Stop("water", "sea")
RO = Stop("water", "ro", Role.REFERENCE, repeats=3)
TAP = Stop("water", "tap", Role.SUBJECT)


def walked(stops, *done):
    """A course with visits as (position, state or values, flags)."""
    captures, visits, repeats = [], [], {}
    for n, (position, what, *flags) in enumerate(done):
        repeats[position] = repeats.get(position, 0) + 1
        at_ms = T0_MS + 60_000 * n
        state, name = (what, "") if isinstance(what, str) else ("taken", f"c{n}")
        visits.append(
            Visit("r", position, repeats[position], state, at_ms, name, flags=tuple(flags))
        )
        if name:
            values = {q: SettledValue(q, v, 0.02, "settled", 0.0, 40.0) for q, v in what.items()}
            at = Stamp(at_ms, n)
            water = stops[position].water
            captures.append(Capture(name, "kitchen", CaptureState.FINAL, at, at, values, water))
    return Course(Round("r", "p", "", "kitchen", T0_MS, stops, visits=tuple(visits)), captures)


# -- carry-over -------------------------------------------------------------------------------


def carried(before, first, later):
    course = walked((SEA, RO), (0, before), (1, first), (1, later))
    return [flag for visit in carry_over(course, 1) for flag in visit.flags]


def test_a_first_repeat_that_leans_to_the_strong_water_before_is_carry_over():
    ((text),) = carried({"conductivity": 50e3}, {"conductivity": 30.0}, {"conductivity": 14.0})
    assert (
        text == "carry-over: conductivity of the first repeat +16 off the later ones, towards sea"
    )
    # Of a meter that shows TDS alone, its pH tells.
    found = carried({"tds": 30e3, "ph": 8.1}, {"tds": 9.0, "ph": 7.4}, {"tds": 7.0, "ph": 6.2})
    assert found == ["carry-over: pH of the first repeat +1.2 off the later ones, towards sea"]


@pytest.mark.parametrize(
    ("before", "first", "later"),
    [
        ({"conductivity": 30.0}, {"conductivity": 30.0}, {"conductivity": 14.0}),  # not strong
        ({"ph": 8.1}, {"ph": 7.4}, {"ph": 6.2}),  # how strong, nobody knows
        ({"conductivity": 50e3}, {"conductivity": 12.0}, {"conductivity": 14.0}),  # away from it
        ({"conductivity": 50e3}, {"conductivity": 14.0}, {"conductivity": 14.0}),
        ({"conductivity": 50e3}, {"ph": 7.0}, {"conductivity": 14.0}),  # nothing to compare
        ({"conductivity": 50e3, "ph": 8.0}, {"ph": 7.0}, {"conductivity": 14.0}),
    ],
)
def test_what_drops_of_the_water_before_do_not_explain_is_none(before, first, later):
    assert carried(before, first, later) == []


def test_one_repeat_alone_or_nothing_before_it_tells_of_no_carry_over():
    thin = {"conductivity": 14.0}
    assert list(carry_over(walked((SEA, RO), (0, {"conductivity": 50e3}), (1, thin)), 1)) == []
    assert list(carry_over(walked((RO,), (0, thin), (0, thin)), 0)) == []
    rinsed = walked(
        (RINSE, RO), (0, {"conductivity": 50e3}), (1, {"conductivity": 30.0}), (1, thin)
    )
    assert list(carry_over(rinsed, 1)) == []


# -- the rinse before -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("done", "said"),
    [
        (("skipped",), "the rinse before it was left out"),
        (("taken", "rinse too short: 8 s of 20 s seen"), "the rinse before it was too short"),
        (("taken",), ""),
        (("set aside",), ""),
    ],
)
def test_a_rinse_left_out_or_too_short_is_told_with_the_water_behind_it(done, said):
    # A count between them is done without the probe.
    assert not_rinsed(walked((RINSE, COUNT, TAP), (0, *done)), 2) == said


def test_without_a_rinse_right_before_it_there_is_none_to_miss():
    assert not_rinsed(walked((RINSE, SEA, TAP), (0, "skipped")), 2) == ""
    assert not_rinsed(walked((TAP,)), 0) == ""
    assert not_rinsed(walked((RINSE, RO), (0, "skipped"), (1, {"ph": 7.0})), 1) == ""


# -- temperature, checks ----------------------------------------------------------------------


def test_only_reference_and_subject_need_one_temperature():
    course = walked((RO, TAP), (0, {"temperature": 20.0}))
    assert "3.0 °C warmer than ro" in temperature_apart(course, Role.SUBJECT, 23.0)
    assert temperature_apart(course, Role.SUBJECT, 22.0) == ""
    assert temperature_apart(course, Role.SUBJECT, 23.0, but="c0") == ""
    assert temperature_apart(course, Role.SOLUTION, 40.0) == ""
    assert temperature_apart(course, None, 40.0) == ""


def check(verdict, resembles=""):
    return Check(
        capture_id="c", meter="kitchen", quantity="specific_gravity", at_ms=0, solution="s",
        label="", source="", method="", temp_c=21.0, temp_from="meter", said=1.02, said_u=0.001,
        expected=1.0, expected_u=0.001, allowed=None, allowed_by="", verdict=verdict, reason="",
        resembles=resembles,
    )  # fmt: skip


def test_a_check_that_did_not_pass_says_by_how_much_and_what_it_may_be():
    checks = (check("pass"), check("fail", "sea"), check("cannot tell"))
    assert list(check_flags(checks, {})) == [
        "check of specific gravity fails: 1.02 where 1 is due; is it sea?",
        "check of specific gravity cannot be told: 1.02 where 1 is due",
    ]
    assert "where 1 sg is due" in next(check_flags(checks, {"specific_gravity": "sg"}))


# -- which water ------------------------------------------------------------------------------


def which(stops, expected=None, history=None, *done):
    return Which(
        walked(stops, *done), CHANNELS, built_in_solutions(), expected or {}, history or {}
    )


@pytest.mark.parametrize(
    ("reads", "verdict"),
    [(10.0, True), (480.0, False), (5000.0, None)],
)
def test_a_probe_that_should_be_rinsing_is_told_from_one_in_the_next_water(reads, verdict):
    found = which((RINSE, TAP), {"tap": {"conductivity": (400, 600)}})
    assert found.is_rinse(RINSE, TAP, {"conductivity": reads}) is verdict


def test_where_nothing_is_known_of_the_next_water_it_is_asked():
    found = which((RINSE, TAP))
    assert found.is_rinse(RINSE, TAP, {"conductivity": 10.0}) is None
    assert found.is_rinse(RINSE, None, {"conductivity": 10.0}) is True
    doubt = found.rinse_doubt(RINSE, TAP)
    assert doubt.answers == ("tap", "distilled", ANOTHER)
    assert "still the rinse in distilled" in doubt.question
    assert found.rinse_doubt(RINSE, None).answers == ("distilled", ANOTHER)


def test_values_that_fit_two_waters_alike_are_no_doubt():
    both = {"tap": {"conductivity": (400, 600)}, "sea": {"conductivity": (380, 590)}}
    found = which((TAP, SEA), both)
    assert found.doubt(TAP, {"conductivity": 500.0}) is None
    assert found.doubt(TAP, {"conductivity": 585.0}) is None
    nearer = found.doubt(TAP, {"conductivity": 385.0})
    assert nearer.answers == ("sea", "tap", ANOTHER)


# -- words ------------------------------------------------------------------------------------


def test_each_stop_is_said_as_what_to_do_and_what_comes_then():
    course = walked((RINSE, RO, TAP, COUNT), (1, {"ph": 6.2}))
    assert [stop_in_words(stop) for stop in course.stops] == [
        "Rinse in distilled", "ro (reference), 3 times", "tap (subject)", "Count particles: tap",
    ]  # fmt: skip
    assert invited(course, 0) == "Rinse the probe in distilled: 20 s, moving it about."
    assert invited(course, 1) == "Put the probe into ro again (2 of 3)."
    assert invited(walked((RO,)), 0) == "Put the probe into ro (1 of 3)."
    assert invited(course, 2) == "Put the probe into tap."
    assert invited(course, 3).startswith("Count the particles of tap")
    assert told_then(course, 1, is_in=True) == (
        "Then lift it for ten seconds, and again into ro (1 more)."
    )
    assert told_then(course, 2, is_in=False).startswith("Then: count the particles of tap")
    assert told_then(course, 3, is_in=False) == "That is the last."
    assert told_then(walked((TAP,)), 0, is_in=True) == "Then the round is done."
    assert told_then(course, 4, is_in=False) == ""
    sea = Stop("check", "sea", solution="kcl-1413", is_closing=True)
    assert (stop_in_words(sea), stop_in_words(SEA)) == ("Closing check: sea", "sea")
