"""Checked against numerical integration and closed solutions."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulators.decays import Decays, two_speed

LEVEL = st.floats(-50, 50)
RATE = st.floats(1e-4, 2.0)
TAU = st.floats(0.3, 200.0)
COURSE = st.builds(Decays, LEVEL, st.lists(st.tuples(LEVEL, RATE), max_size=3).map(tuple))


def integrate(course, tau_of, start, until_s, steps=4000):
    """Follow y' = (u(t) − y)/tau by the classical Runge-Kutta rule."""
    h = until_s / steps
    y = start

    def slope(t, y):
        u = course(t)
        return (u - y) / tau_of(u - y)

    for step in range(steps):
        t = step * h
        a = slope(t, y)
        b = slope(t + h / 2, y + h / 2 * a)
        c = slope(t + h / 2, y + h / 2 * b)
        d = slope(t + h, y + h * c)
        y += h / 6 * (a + 2 * b + 2 * c + d)
    return y


@given(COURSE, TAU, LEVEL, st.floats(0.1, 60.0))
def test_a_lag_solves_its_differential_equation(course, tau, start, t_s):
    lagged = course.lagged(tau, start)
    assert lagged(0.0) == pytest.approx(start, abs=1e-6)
    h = 1e-3 * min(1.0, tau)
    slope = (lagged(t_s + h) - lagged(t_s - h)) / (2 * h)
    scale = 1.0 + sum(abs(size) for size, _ in course.parts) + abs(course.rest) + abs(start)
    assert tau * slope == pytest.approx(course(t_s) - lagged(t_s), abs=2e-3 * scale)


def test_a_lag_agrees_with_numerical_integration():
    course = Decays(20.0, ((-12.0, 1 / 1800), (3.0, 1 / 7)))
    expected = integrate(course, lambda _: 8.5, 35.0, 60.0)
    assert course.lagged(8.5, 35.0)(60.0) == pytest.approx(expected, abs=1e-9)


def test_equal_rates_are_no_pole():
    course = Decays(1.0, ((2.0, 0.1),))
    # tau · y' = u − y with u = 1 + 2·exp(−t/10), tau = 10: y = 1 + (y0 − 1 + 2·t/10)·exp(−t/10)
    for t in (0.0, 1.0, 10.0, 40.0):
        exact = 1.0 + (5.0 - 1.0 + 2.0 * t / 10.0) * math.exp(-t / 10.0)
        assert course.lagged(10.0, 5.0)(t) == pytest.approx(exact, abs=1e-4)


@given(COURSE, TAU, LEVEL)
def test_a_lag_comes_to_rest_where_its_course_does(course, tau, start):
    assert course.lagged(tau, start)(math.inf) == pytest.approx(course.rest)


@given(COURSE, st.floats(0, 50), st.floats(0, 50))
def test_a_course_seen_later_is_the_same_course(course, by_s, t_s):
    assert course.later(by_s)(t_s) == pytest.approx(course(by_s + t_s), abs=1e-9)


@given(COURSE, st.floats(0, 50))
def test_a_square_is_a_square(course, t_s):
    assert course.squared()(t_s) == pytest.approx(course(t_s) ** 2, abs=1e-6)


@given(
    room=st.floats(10, 30),
    water=st.floats(2, 40),
    start=st.floats(5, 40),
    until_s=st.floats(1.0, 120.0),
)
def test_two_speeds_agree_with_numerical_integration(room, water, start, until_s):
    course = Decays(room, ((water - room, 1 / 300),))
    expected = integrate(course, lambda gap: 16.0 if gap > 0 else 8.5, start, until_s)
    followed = two_speed(course, start, warming_s=16.0, cooling_s=8.5)
    assert followed(until_s) == pytest.approx(expected, abs=2e-4)


def test_a_thermometer_meets_a_warming_glass_once_and_then_trails_below_it():
    course = Decays(21.0, ((-13.0, 1 / 1800),))
    followed = two_speed(course, 21.0, warming_s=16.0, cooling_s=8.5)
    assert 0 < followed.turn_s < 120
    assert followed(followed.turn_s - 1.0) > course(followed.turn_s - 1.0)
    assert followed(followed.turn_s + 60.0) < course(followed.turn_s + 60.0)
    assert followed(followed.turn_s - 1e-9) == pytest.approx(followed(followed.turn_s), abs=1e-6)
