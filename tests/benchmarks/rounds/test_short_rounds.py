"""Twenty random rounds on seeds nothing was looked at with. The whole: score.py, docs/rounds.md."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from score import Score, score


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


def test_conductivity_is_as_sure_as_it_says(found):
    assert found.covered["conductivity"] >= 0.85 * found.intervals["conductivity"]
    assert found.equal_differs["conductivity"] <= 1
