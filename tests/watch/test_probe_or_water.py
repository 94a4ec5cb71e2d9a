"""Is it the probe? Faults that a draw shows, and two probes side by side in one water."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from acquire.readings import Capture, CaptureState, Role, SettledValue, Stamp
from acquire.watch.draws import Draw
from acquire.watch.faults import FaultFinder
from acquire.watch.forecast import Day, forecast
from acquire.watch.history import litres_of, paragraph, state_of
from acquire.watch.judge import Standing
from acquire.watch.kept import Alert, KeptDraw
from acquire.watch.side_by_side import agreement

HOUR_MS = 3_600_000
DRAW = Draw(
    started_ms=0, ended_ms=90_000, stood_s=4 * 3600.0, litres=2.0, value=20.0, u=0.2, temp_c=14.0,
    peak=30.0, middle=20.0, n=19, flagged=0, distinct=12, scatter=0.005, temp_jump=0.2,
)  # fmt: skip


@pytest.fixture
def finder():
    """One that knows the probe: 20 µS/cm at 14 °C."""
    found = FaultFinder()
    for n in range(8):
        assert found.look(replace(DRAW, value=20.0 + 0.1 * n)) == (None, True)
    return found


@pytest.mark.parametrize(
    ("draw", "kind", "words"),
    [
        (replace(DRAW, flagged=18), "open_circuit", "18 of 19"),
        (replace(DRAW, value=0.1, peak=0.2, distinct=1), "open_circuit", "not connected, or dry"),
        (replace(DRAW, value=12.0, scatter=0.2), "air", "low and restless"),
        (replace(DRAW, value=3.0, peak=12.0), "air", "not in the water"),
        (replace(DRAW, temp_c=60.0), "temperature", "no temperature of water in a pipe"),
        (replace(DRAW, temp_jump=15.0), "temperature", "jumped by 15.0 °C"),
        (replace(DRAW, temp_c=24.0), "temperature", "the last draws had 14.0 °C"),
    ],
)
def test_what_no_water_does_is_the_probe_and_its_value_is_not_used(finder, draw, kind, words):
    fault, is_of_use = finder.look(draw)
    assert (fault.kind, is_of_use) == (kind, False)
    assert words in fault.evidence
    assert finder.look(DRAW) == (None, True)  # nothing of it became what is usual


def test_a_meter_without_temperature_or_a_draw_without_rest_is_no_fault(finder):
    assert finder.look(replace(DRAW, temp_c=None)) == (None, True)
    assert finder.look(replace(DRAW, value=None, peak=None)) == (None, False)
    # After days of standing the pipe has the room's warmth, and may have any.
    assert finder.look(replace(DRAW, temp_c=24.0, stood_s=5 * 86_400.0)) == (None, True)


def test_after_another_cartridge_lower_values_are_no_air(finder):
    low = replace(DRAW, value=3.0, peak=12.0)
    finder.begin_anew()
    assert finder.look(low) == (None, True)


# -- two probes in one water ------------------------------------------------------------------


def capture(value, *, at_h=0.0, u=1.0, water="tap", state=CaptureState.FINAL, phase="settled"):
    at = Stamp(1_790_000_000_000 + round(at_h * HOUR_MS), 0)
    said = {"conductivity": SettledValue("conductivity", value, u, phase, 0.0, 40.0)}
    return Capture("c", "m", state, at, at, said, water, Role.SUBJECT)


def test_the_gain_and_its_uncertainty_are_those_of_a_quotient():
    found = agreement([capture(400.0, u=4.0)], [capture(420.0, u=8.4, at_h=2)])
    assert (found.water, found.gain) == ("tap", pytest.approx(1.05))
    # GUM 5.1.6: relative standard uncertainties of a quotient add in squares, 0.5 % and 1 %.
    assert found.u == pytest.approx(1.05 * math.hypot(0.005, 0.01))
    assert found.differs
    assert not agreement([capture(400.0, u=4.0)], [capture(404.0, u=8.0)]).differs


def test_the_pair_nearest_in_time_within_a_day_is_taken():
    feed = [capture(500.0, at_h=20), capture(440.0, at_h=1), capture(999.0, at_h=40)]
    assert agreement([capture(400.0)], feed).feed == 440.0
    assert agreement([capture(400.0)], feed[2:]) is None


@pytest.mark.parametrize(
    "odd",
    [capture(410.0, state=CaptureState.WITHDRAWN), capture(410.0, water=""), capture(0.0),
     capture(410.0, phase="moving"), capture(410.0, water="jug"),
     replace(capture(410.0), values={})],
)  # fmt: skip
def test_only_settled_finals_of_a_named_water_count_on_either_side(odd):
    assert agreement([capture(400.0)], [odd]) is None
    assert agreement([odd], [capture(400.0)]) is None
    assert agreement([odd, capture(400.0)], [odd, capture(400.0)]) is not None


def test_what_is_derived_at_25_degrees_goes_before_what_the_meter_said():
    made = SettledValue("conductivity", 440.0, 4.0, "settled", 0.0, 40.0, "derived", "at 25 °C")
    raw = replace(capture(400.0), derived={"conductivity": made})
    assert agreement([raw], [capture(440.0)]).gain == 1.0


# -- how fast it is used up -------------------------------------------------------------------


def test_after_a_pause_the_pace_is_that_of_the_whole_time():
    """Used for two months, away for five weeks, back since yesterday: two days tell no pace."""
    days = [Day(float(n), 20.0 * n, -2.0 + 0.02 * n, 15.0) for n in range(60)]
    days += [Day(95.0 + n, 20.0 * (60 + n), -2.0 + 0.02 * (60 + n), 15.0) for n in range(2)]
    found = forecast(days)
    assert found.days is not None
    # 61 x 20 L in 96 days, not 20 L a day.
    assert found.litres / found.days == pytest.approx(61 * 20 / 96, rel=0.01)


# -- what is told once a week -----------------------------------------------------------------


STANDING = Standing(3, None, None, None, None, is_rising=False)


def kept(day, value=20.0, passage=0.05, **more):
    at_ms = round(day * 24 * HOUR_MS)
    one = replace(DRAW, started_ms=at_ms, ended_ms=at_ms + 90_000, value=value, **more)
    return KeptDraw("sink", one, 400.0, 4.0, 0, passage, 0.001, None if passage is None else -1.0)


def test_the_paragraph_counts_what_came_to_rest_in_the_last_week_only():
    draws = [kept(0.0, passage=0.5), *(kept(10.0 + n, passage=0.04 + 0.01 * n) for n in range(3))]
    draws.append(kept(13.0, None, None))
    said = paragraph(state_of("sink", draws, STANDING, [], changed_ms=0), draws)
    assert "4 draws this week, 3 came to rest" in said
    # By hand: passages of 4, 5 and 6 %; the first water held 30 of 20 µS/cm.
    assert "95.0 % (from 94.0 to 96.0 %)" in said
    assert "held 1.5 times the settled" in said
    assert "never shows that the water is safe" in said


def test_a_week_without_rest_promises_no_rejection_and_no_forecast():
    draws = [kept(1.0, None, None), kept(2.0, None, None)]
    alert = Alert("a1", "sink", "air", 0, "it reads low")
    said = paragraph(state_of("sink", draws, STANDING, [alert], changed_ms=None), draws)
    assert "2 draws this week, 0 came to rest" in said
    assert "Rejection" not in said
    assert "first water" not in said
    assert "No forecast" in said
    assert "Air in the probe's cell. Let the tap run" in said
    fouled = state_of("sink", draws, STANDING, [replace(alert, kind="fouling")], changed_ms=0)
    assert "not while this holds" in fouled.forecast.refusal


def test_litres_are_those_measured_else_those_a_house_is_said_to_draw():
    measured = [kept(1.0), kept(2.0, litres=3.0)]
    unmeasured = [kept(1.0, litres=None)]
    assert litres_of(measured, 10.0, 5.0) == 5.0
    assert litres_of(unmeasured, 10.0, 5.0) == 50.0
    assert litres_of(unmeasured, None, 5.0) is None
