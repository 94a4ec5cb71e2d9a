"""A short form of the proof, on seeds nothing was tuned on. The whole: scripts/bench-settling."""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path
from statistics import fmean

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from immersions import QUANTITIES, immersions
from judge import Score, judge
from learn import looks_of
from real import baths, conductivity_steps
from rules import RULES
from table import detector

from acquire.settle_risk import risk_of

SEED = 977


@pytest.fixture(scope="module", params=["main", "held_out"])
def score(request: pytest.FixtureRequest) -> Score:
    return judge(partial(detector, "bench"), immersions(SEED, 70, request.param))


def test_few_records_are_false(score):
    assert len(score.outcomes) == 280
    assert score.false <= 0.07
    assert score.final_false <= 0.02


def test_few_are_missed_and_none_comes_late(score):
    assert score.missed <= 0.03
    assert score.extra(0.5) <= 45
    assert score.extra(0.9) <= 85


def test_the_uncertainty_covers_the_truth(score):
    assert 0.90 <= score.coverage <= 0.995
    assert score.error(0.5) <= 0.3


def test_the_risk_that_is_told_is_about_as_often_what_happens():
    # Calibration: of looks that were told a risk, the share that a record would have got wrong.
    looks = [
        look for one in immersions(SEED, 50) for name in QUANTITIES for look in looks_of(one, name)
    ]
    told = [(risk_of(seen), is_false) for seen, is_false in looks]
    for low, high in ((0.0, 0.02), (0.02, 0.1), (0.1, 0.4), (0.4, 1.0)):
        here = [one for one in told if low <= one[0] < high]
        said = fmean(risk for risk, _ in here)
        happened = fmean(is_false for _, is_false in here)
        assert said / 2 - 0.01 <= happened <= 2 * said + 0.01, (low, high, said, happened)


def test_fewer_are_false_or_missed_than_by_published_rules_about_as_quick():
    material = [i for i in immersions(SEED, 120) if len(i.t) < 600]
    ours = judge(partial(detector, "bench"), material)
    for name, setting in {
        "windowed range": {"window_s": 30, "band": 1},
        "five successive": {"count": 5, "every_s": 10, "band": 0.5},
        "slope t-test": {"window_s": 20, "t_crit": 1, "band": 1},
        "von Neumann": {"window_s": 40, "limit": 1.2, "band": 1},
    }.items():
        make = RULES[name][0]
        theirs = judge(lambda channel, make=make, s=setting: make(channel, **s), material)
        wrong = (ours.false + ours.missed) / (theirs.false + theirs.missed)
        assert ours.false < theirs.false, name
        assert wrong < 0.75, name


def test_real_conductivity_probes_settle_where_they_end():
    score = judge(partial(detector, "bench"), conductivity_steps(), ("conductivity",))
    assert len(score.outcomes) >= 15
    assert score.missed == 0
    assert score.final_false == 0
    assert sum(o.is_false for o in score.outcomes) <= 1
    assert score.error(0.5) < 0.3


def test_real_baths_are_not_called_settled_while_they_warm():
    for outcome in judge(partial(detector, "bench"), baths()).outcomes:
        assert outcome.record_s is not None
        assert not outcome.is_false
        assert outcome.record_s >= (outcome.channel.oracle_s or 0)
