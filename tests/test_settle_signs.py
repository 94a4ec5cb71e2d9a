"""What a learnt risk goes by, held against numbers that are known beforehand."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire import settle_risk
from acquire.settle_history import History
from acquire.settle_risk import _node, risk_of
from acquire.settle_signs import DECIMALS, SIGNS, signs
from acquire.settle_tail import Outlook
from acquire.settle_view import View

OUTLOOK = Outlook(0.0, 1e-4, 1e-6, 0.01, 0.001, 0.05, "tail", 0.01)


def told(levels: list[float], *, scale: float = 1.0, offset: float = 0.0) -> dict[str, float]:
    """Give the signs of base blocks two seconds apart, with a tolerance of 0.1."""
    history = History()
    for i, level in enumerate(levels):
        history.add(2.0 * i, offset + scale * level, None, 0.1 * abs(scale))
    now = 2.0 * (len(levels) - 1)
    outlook = replace(
        OUTLOOK,
        mean_variance=OUTLOOK.mean_variance * scale**2,
        left=OUTLOOK.left * scale,
        rate=OUTLOOK.rate * scale,
    )
    view = View(outlook, 0.1 * abs(scale), 30.0, 0.0, 0.0, 0.01 * abs(scale))
    value = offset + scale * levels[-1]
    found = signs(history, now, value, view, now, scatter=0.02 * abs(scale), colour=1.1)
    return dict(zip(SIGNS, found, strict=True))


def test_every_sign_has_a_name_of_its_own():
    assert len(set(SIGNS)) == len(SIGNS) == len(told([0.0] * 10))


def test_a_straight_line_has_its_slope_over_every_stretch_and_no_bend():
    # Three tenths a minute: three tolerances. It came from below, and still goes up.
    found = told([0.005 * 2.0 * i for i in range(60)])
    for name in SIGNS:
        if name.startswith("slope"):
            assert found[name] == pytest.approx(3.0), name
    assert found["bend, per half minute squared"] == pytest.approx(0.0, abs=1e-9)
    assert found["excursion"] == pytest.approx(0.005 * 118 / 0.1)


def test_a_parabola_has_its_bend_and_its_slope_at_the_end():
    # y = -0.0002 (t - 118)^2: no slope at the last block, -2 * 0.0002 * 900 / 2 per half minute^2.
    found = told([-0.0002 * (2.0 * i - 118.0) ** 2 for i in range(60)])
    # Blocks joined have the mean of a parabola, not its middle: a few per cent.
    assert found["slope now, per min"] == pytest.approx(0.0, abs=0.05)
    assert found["bend, per half minute squared"] == pytest.approx(-1.8, rel=0.03)


def test_it_tells_how_long_ago_it_was_last_further_away():
    # Half a tolerance away until 20 s before the end, two and a half until 60 s before.
    # Old blocks are long ones, and count from their middles.
    found = told([0.25] * 30 + [0.06] * 20 + [0.0] * 11)
    assert found["since 0.5 away, s"] == pytest.approx(22.0, abs=8.0)
    assert found["since 2 away, s"] == pytest.approx(62.0, abs=12.0)
    assert found["since 4 away, s"] == pytest.approx(120.0)


# Multiples of a number that puts no difference on a boundary, nor a mean of joined blocks.
LEVELS = st.integers(-2000, 2000).map(lambda k: 0.00137 * k)


@given(
    st.lists(LEVELS, min_size=6, max_size=80),
    st.sampled_from((-1.0, -32.0, 0.25, 16.0)),
    st.sampled_from((0.0, 8.0)),
)
def test_no_unit_no_zero_and_no_direction_changes_them(levels, scale, offset):
    here = told(levels)
    there = told(levels, scale=scale, offset=offset)
    assert there == pytest.approx(here, abs=1.1e-4)  # the last digit they are rounded to


def test_a_tree_is_walked_from_its_root_to_the_leaf_the_signs_lead_to():
    tree = _node(iter([0, 1.5, -1, 0.25, 1, 0.0, -1, -0.5, -1, 0.75]))
    assert tree == (0, 1.5, 0.25, (1, 0.0, -0.5, 0.75))


@given(st.lists(st.floats(-1e12, 1e12), min_size=len(SIGNS), max_size=len(SIGNS)))
def test_whatever_the_signs_the_risk_is_a_probability(found):
    assert 0.0 <= risk_of(found) <= 1.0


def _walked(written: Iterator[float], seen: list[float]) -> float:
    sign, number = next(written), next(written)
    if sign < 0:
        return number
    low, high = _walked(written, seen), _walked(written, seen)
    return low if seen[int(sign)] <= number else high


@given(st.lists(st.floats(-20, 100), min_size=len(SIGNS), max_size=len(SIGNS)))
def test_the_risk_is_the_logistic_of_the_sum_of_its_leaves(found):
    kept = json.loads(Path(settle_risk.__file__).with_name("settle_risk.json").read_text())
    total = kept["base"] + sum(_walked(iter(tree), found) for tree in kept["trees"])
    assert risk_of(found) == pytest.approx(1.0 / (1.0 + math.exp(-total)), rel=1e-9)


def test_no_limit_lies_where_a_sign_can():
    # Signs are rounded to four places; a limit on one would hang on the last bit.
    kept = json.loads(Path(settle_risk.__file__).with_name("settle_risk.json").read_text())
    limits = [
        limit
        for tree in kept["trees"]
        for sign, limit in zip(tree[::2], tree[1::2], strict=True)
        if sign >= 0
    ]
    assert len(limits) > 1000
    assert all(abs(limit * 10**DECIMALS % 1.0 - 0.5) < 0.01 for limit in limits)
