from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.outlets.as_json import json_line
from acquire.outlets.live import bar, rest_fraction
from acquire.outlets.trace import draw
from acquire.outlets.words import capture_lines, capture_title, event_line, shown_with_u, tidy
from acquire.quantities import BUILT_IN
from acquire.readings import (
    Capture,
    CaptureState,
    Event,
    Reading,
    Role,
    SettledValue,
    Stamp,
    utc_text,
)

STAMP = Stamp(1_790_000_000_000, 10**12)


def a_capture(state=CaptureState.FINAL, water="tap", reason="", **values):
    settled = {
        name: SettledValue(name, value, u, "settled", 0.0, 60.0)
        for name, (value, u) in values.items()
    }
    return Capture("c1", "kitchen", state, STAMP, STAMP, settled, water, Role.SUBJECT, reason)


@pytest.mark.parametrize(
    ("quantity", "value", "u", "text"),
    [
        ("ph", 7.0612, 0.0081, "7.061 ± 0.008"),
        ("ph", 7.0612, 0.12, "7.06 ± 0.12"),
        ("conductivity", 486.4, 23.0, "486 ± 23 µS/cm"),
        ("conductivity", 13.94, 0.61, "13.9 ± 0.6 µS/cm"),
        ("temperature", 20.9, 0.058, "20.90 ± 0.06 °C"),
        ("orp", -0.2, 1.0, "-0.2 ± 1.0 mV"),
        ("orp", 230.0, math.inf, "230 ± inf mV"),
    ],
)
def test_a_value_has_the_decimals_its_uncertainty_deserves(quantity, value, u, text):
    assert shown_with_u(BUILT_IN[quantity], value, u) == text


@given(st.text(max_size=300))
def test_what_people_type_cannot_trick_a_terminal(text):
    clean = tidy(text)
    assert len(clean) <= 80
    assert clean.isprintable()
    assert "\u202e" not in clean


def test_hostile_names_stay_on_one_line_everywhere():
    evil = "tap\x1b[2J\r\n\u202egnp"
    capture = a_capture(CaptureState.WITHDRAWN, water=evil, reason=evil, ph=(7.0, 0.1))
    event = Event("note", STAMP, "kitchen", evil)
    for line in (*capture_lines(capture, BUILT_IN), event_line(event)):
        assert line.isprintable()
    assert "\n" not in json_line(capture)
    assert json.loads(json_line(capture))["water"] == evil


def test_each_state_of_a_capture_is_told_apart_in_words():
    titles = {state: capture_title(a_capture(state)) for state in CaptureState}
    assert "final" in titles[CaptureState.FINAL]
    assert "WITHDRAWN" in titles[CaptureState.WITHDRAWN]
    assert "NOT SETTLED" in titles[CaptureState.UNSETTLED]
    assert "settled after" not in titles[CaptureState.UNSETTLED]
    assert len(set(titles.values())) == len(CaptureState)


@pytest.mark.parametrize(
    ("source", "says"),
    [("meter", "settled after 0 s"), ("typed", "typed by hand"), ("imported", "imported")],
)
def test_a_title_says_where_the_numbers_came_from(source, says):
    """Nobody watched a number come to rest that was typed off a display or taken from a sheet."""
    capture = a_capture(ph=(7.0, 0.02))
    values = {name: replace(value, source=source) for name, value in capture.values.items()}
    title = capture_title(replace(capture, values=values))
    assert title.endswith(f"final, {says}")


def test_times_are_utc_and_survive_a_clock_that_was_never_set():
    assert utc_text(0) == "1970-01-01T00:00:00.000Z"
    assert utc_text(1_790_000_000_123) == "2026-09-21T14:13:20.123Z"
    assert utc_text(-(10**18)).startswith("0001-01-01")
    assert utc_text(10**18).startswith("9999-12-31")


@given(st.floats(), st.floats())
def test_the_bar_is_always_ten_cells(u, tolerance):
    fraction = rest_fraction(u, tolerance)
    assert 0 <= fraction <= 1
    assert len(bar(fraction)) == 10


def test_the_bar_fills_as_the_uncertainty_falls_to_the_tolerance():
    fractions = [rest_fraction(u, 0.02) for u in (2.0, 0.2, 0.02, 0.002)]
    assert fractions == [0.0, 0.5, 1.0, 1.0]


points = st.lists(st.tuples(st.floats(0, 1e6), st.floats()), max_size=50).map(sorted)


@given(points, st.floats(-1e6, 1e6), st.floats(1e-3, 1e3), st.floats(0, 1e6))
def test_any_trace_is_drawn_within_its_width(trace, middle, half, moment):
    rows = draw(trace, low=middle - half, high=middle + half, moments=[moment], digits=2, width=78)
    assert all(len(row) <= 79 for row in rows)


def test_the_drawing_shows_the_band_the_trace_and_the_moment():
    trace = [(float(t), 7.6 - 0.8 * math.exp(-t / 20)) for t in range(150)]
    rows = draw(trace, low=7.58, high=7.62, moments=[95.0], digits=2)
    assert next(row for row in rows if "7.62" in row).count("┄") > 40
    assert sum("╷" in row for row in rows) >= 5
    assert "▾" in rows[6]
    (middle,) = [row for row in rows if row.lstrip().startswith("7.60")]
    assert middle.rstrip().endswith("•••••")


def test_a_reading_is_one_line_of_json_with_its_flags():
    line = json_line(Reading("kitchen", STAMP, {"ph": 7.0}, raw="pH 7.00\x00é"))
    assert line.isascii()
    assert json.loads(line)["values"] == {"ph": 7.0}


HOUR_MS = 3_600_000


def plot_lines(points, **more):
    from acquire.outlets.watch_words import plotted

    return plotted(points, "sink: temperature", "°C", **more).splitlines()


def test_a_curve_says_its_unit_its_numbers_apart_and_hours_where_days_would_not_do():
    start = 1_790_000_000_000
    lines = plot_lines([(start + n * HOUR_MS, 15.0 + n / 100) for n in range(24)])
    assert lines[0] == "sink: temperature, °C"
    assert all(len(line) <= 80 for line in lines)
    labels = [line.split("┤")[0].strip() for line in lines if "┤" in line]
    assert len(set(labels)) == len(labels) == 4
    assert lines[-2].split() == ["09-21", "14:13", "09-22", "01:43", "09-22", "13:13"]
    assert lines[-1].strip() == "UTC"
    days = plot_lines([(start + n * 24 * HOUR_MS, 15.0 + n) for n in range(5)])
    assert days[-2].split() == ["2026-09-21", "2026-09-23", "2026-09-25"]
    assert plot_lines([]) == ["sink: temperature, °C: nothing recorded in that time"]


def test_noise_below_the_display_is_no_mountain():
    start = 1_790_000_000_000
    lines = plot_lines([(start + n * HOUR_MS, 15.0 + n % 2 / 1000) for n in range(9)])
    rows = {n for n, line in enumerate(lines) if "•" in line}
    assert len(rows) == 1


def test_where_a_value_comes_from_and_that_it_moves_is_told():
    import dataclasses

    typed = a_capture(ph=(7.0, 0.02))
    moving = {
        "ph": dataclasses.replace(typed.values["ph"], phase="moving", source="typed"),
        "orp": SettledValue("orp", 300.0, 2.0, "settled", 0.0, 40.0, "typed"),
    }
    lines = list(capture_lines(dataclasses.replace(typed, values=moving), BUILT_IN))
    assert "typed by hand" in lines[0]
    assert [line.split()[-2:] for line in lines if "not settled" in line] == [["not", "settled"]]
    assert any(line.endswith("typed") for line in lines)
    kept = {"ph": dataclasses.replace(typed.values["ph"], source="imported")}
    title, row = capture_lines(dataclasses.replace(typed, values=kept), BUILT_IN)
    assert "imported" in title
    assert row.endswith("imported")
