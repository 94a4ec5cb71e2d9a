"""Twenty random rounds on seeds nothing was looked at with. The whole: score.py, docs/rounds.md."""

from __future__ import annotations

import math
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from score import Score, score

pytestmark = pytest.mark.timeout(300)
"""Twenty rounds take twenty seconds of a processor, and of a busy one some minutes."""


@pytest.fixture(scope="module")
def found() -> Score:
    return score(range(7000, 7020))


def test_nearly_every_round_is_walked_to_its_end(found):
    assert found.over >= 19
    assert found.visits >= 80


def test_mistakes_were_made(found):
    assert found.mistakes["wrong_glass"] >= 5
    assert found.mistakes["short_rinse"] + found.mistakes["no_rinse"] >= 5


def test_no_capture_of_a_moving_probe_goes_unflagged(found):
    assert found.moving_unflagged == []


def test_no_capture_in_a_wrong_water_goes_unflagged(found):
    assert found.wrong >= 1
    assert found.wrong_unflagged == []


def test_conductivity_is_as_sure_as_it_says(found):
    assert found.covered["conductivity"] >= 0.85 * found.intervals["conductivity"]
    assert found.equal_differs["conductivity"] <= 1


@pytest.mark.parametrize("quantity", ["ph", "orp", "temperature"])
def test_intervals_cover_and_equal_waters_do_not_differ(found, quantity):
    """Bounds that 93 % coverage, or 5 % of false verdicts, miss once in a thousand."""
    n = found.intervals[quantity]
    assert n >= 5
    assert n - found.covered[quantity] <= most(n, 0.07)
    assert found.equal_differs[quantity] <= most(found.equal[quantity], 0.05)


def most(n, chance):
    """The number of failures of n that is exceeded less than once in a thousand."""
    left, k = 1.0, -1
    while left > 1e-3:
        k += 1
        left -= math.comb(n, k) * chance**k * (1 - chance) ** (n - k)
    return k
