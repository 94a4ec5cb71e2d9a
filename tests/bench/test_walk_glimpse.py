"""What a cell shows of a glass in which nobody waits."""

from __future__ import annotations

import math

from acquire.bench.walk_glimpse import Glimpse


def shown(values, temp_c=21.0, each_s=1.0):
    glimpse = Glimpse()
    for number, value in enumerate(values):
        glimpse.see(1000.0 + each_s * number, 3.0 + each_s * number, value, temp_c)
    return glimpse.told()


def film(holds, more, for_s, tau_s=40.0):
    """A display in whole µS/cm, while what came along washes off."""
    return [round(holds + more * math.exp(-(3.0 + s) / tau_s)) for s in range(for_s)]


def test_nothing_seen_tells_nothing():
    assert Glimpse().told() is None


def test_a_glass_that_stands_still_is_known():
    seen = shown([3.0] * 20)
    assert (seen.low, seen.high, seen.temp_c, seen.is_vague) == (3.0, 3.0, 21.0, False)


def test_numbers_of_the_air_at_the_end_are_left_out():
    assert shown([14.0] * 15 + [6.0, 1.0]).told() == "about 14"
    assert " to " in shown(film(3.0, 60.0, 20)).told()
    assert shown([6110.0] * 15 + [2690.0]).middle == 6110.0


def test_one_step_of_a_display_is_no_lift_and_no_course():
    seen = shown([2.0, 3.0, 2.0, 2.0, 3.0, 2.0, 2.0, 3.0, 2.0, 2.0, 2.0, 3.0])
    assert seen.low == seen.high == 2.0


def test_a_film_that_still_washes_off_leaves_open_what_the_glass_holds():
    for holds in (3.0, 14.0, 25.0):
        seen = shown(film(holds, 60.0, 20))
        assert seen.is_vague
        assert seen.low <= holds <= seen.high
    rises = shown(film(480.0, -40.0, 20))
    assert rises.low <= 480.0 <= rises.high


def test_a_meter_that_speaks_every_few_seconds_is_enough():
    seen = shown(film(3.0, 60.0, 30)[::5], each_s=5.0)
    assert seen.is_vague
    assert seen.low <= 3.0 <= seen.high
    assert not shown([3.0] * 4, each_s=6.0).is_vague


def test_too_short_a_look_is_vague():
    assert shown([20.0] * 5).is_vague
    # Dipped twice for two seconds: it is somewhere between what was shown.
    glimpse = Glimpse()
    for t_s, value in ((3, 8.0), (4, 4.0), (11, 5.0), (12, 7.0), (13, 3.0)):
        glimpse.see(1000.0 + t_s, float(t_s), value, 21.0)
    seen = glimpse.told()
    assert (seen.low, seen.high, seen.is_brief, seen.is_rough) == (3.0, 8.0, True, True)
