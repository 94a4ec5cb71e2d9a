from __future__ import annotations

import math
import statistics

import pytest

from simulators.noise import Noise, NoiseTraits

NAMES = ("ph", "orp")


def course(traits, period_s=1.0, count=40_000, seed="a"):
    noise = Noise(seed, NAMES, period_s, traits)
    seen = []
    for update in range(count):
        noise.step(update, 1)
        seen.append((noise.quick["ph"], noise.slow["ph"], noise.outlier["ph"], noise.quick["orp"]))
    return [list(column) for column in zip(*seen, strict=True)]


def correlation(x, y):
    return statistics.correlation(x, y)


def test_quick_and_slow_noise_have_unit_variance_and_their_own_colour():
    traits = NoiseTraits(correlation_s=3.0, wander_s=20.0)
    quick, slow, _, other = course(traits)
    for values, tau_s in ((quick, 3.0), (slow, 20.0)):
        assert statistics.fmean(values) == pytest.approx(0.0, abs=0.1)
        assert statistics.pstdev(values) == pytest.approx(1.0, abs=0.1)
        for lag in (1, 3):
            expected = math.exp(-lag / tau_s)
            assert correlation(values[:-lag], values[lag:]) == pytest.approx(expected, abs=0.05)
    assert abs(correlation(quick, slow)) < 0.1
    assert abs(correlation(quick, other)) < 0.1


def test_the_colour_is_one_of_seconds_whatever_the_rate():
    quick, *_ = course(NoiseTraits(correlation_s=3.0), period_s=0.1)
    assert correlation(quick[:-30], quick[30:]) == pytest.approx(math.exp(-1), abs=0.06)


def test_outliers_come_at_their_chance_and_are_laplace_distributed():
    _, _, outlier, _ = course(NoiseTraits(outlier_chance=0.1))
    sizes = [abs(x) for x in outlier if x]
    assert len(sizes) / len(outlier) == pytest.approx(0.1, abs=0.006)
    assert statistics.fmean(sizes) == pytest.approx(1.0, abs=0.05)
    assert statistics.median(sizes) == pytest.approx(math.log(2), abs=0.04)
    assert abs(sum(x > 0 for x in outlier) / len(sizes) - 0.5) < 0.03


def test_no_outliers_when_none_are_wanted():
    _, _, outlier, _ = course(NoiseTraits(outlier_chance=0.0), count=500)
    assert not any(outlier)


def test_many_steps_at_once_are_the_same_as_one_by_one():
    one, many = (Noise("s", NAMES, 1.0, NoiseTraits()) for _ in range(2))
    for update in range(1, 101):
        one.step(update, 1)
    many.step(100, 100)
    assert (one.quick, one.slow, one.outlier, one.lot) == (
        many.quick,
        many.slow,
        many.outlier,
        many.lot,
    )


def test_after_a_very_long_pause_it_starts_afresh_the_same_way_each_time():
    one, two = (Noise("s", NAMES, 1.0, NoiseTraits()) for _ in range(2))
    two.step(5, 5)
    one.step(10**9, 10**9)
    two.step(10**9, 10**9 - 5)
    assert one.quick == two.quick
    assert one.lot == two.lot
