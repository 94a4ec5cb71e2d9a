"""How often live values go out."""

from __future__ import annotations

import pytest

from acquire import config
from acquire.outlets.pace import Pace
from acquire.outward import MqttConfig
from acquire.readings import Flag, Reading, Stamp


def said(s, flags=None, **values):
    return Reading("kitchen", Stamp(1_790_000_000_000, round(s * 1e9)), values, flags or {})


def sent(pace, *readings):
    found = []
    for reading in readings:
        if pace.is_due(reading):
            pace.sent(reading)
            found.append(round(reading.stamp.t_s))
    return found


@pytest.fixture
def pace():
    settings = MqttConfig(host="h", every_s=5, at_least_s=60, dead_band={"ph": 0.05})
    return Pace.of(settings, config.load(None))


def test_a_value_that_rests_goes_out_once_a_minute(pace):
    assert sent(pace, *(said(s, ph=7.0 + 0.04 * (s % 2)) for s in range(130))) == [0, 60, 120]


def test_a_value_that_moves_goes_out_every_five_seconds(pace):
    assert sent(pace, *(said(s, ph=7.0 + s) for s in range(12))) == [0, 5, 10]


def test_slow_drift_adds_up_from_what_was_sent_last(pace):
    assert sent(pace, *(said(s, ph=7.0 + 0.006 * s) for s in range(25))) == [0, 9, 18]


def test_a_quantity_that_comes_goes_or_is_flagged_is_news(pace):
    readings = [
        said(0, ph=7.0),
        said(6, ph=7.0),
        said(12, ph=7.0, orp=200.0),
        said(18, ph=7.0),
        said(24, {"ph": Flag.IMPLAUSIBLE}, ph=7.0),
    ]
    assert sent(pace, *readings) == [0, 12, 18, 24]


def test_without_a_dead_band_half_the_tolerance_is_no_news():
    pace = Pace.of(MqttConfig(host="h"), config.load(None))
    assert sent(pace, said(0, temperature=20.0), said(6, temperature=20.09)) == [0]
    assert sent(pace, said(12, temperature=20.11)) == [12]


def test_a_clock_of_another_boot_does_not_silence_a_meter(pace):
    assert sent(pace, said(1000, ph=7.0), said(3, ph=7.0)) == [1000, 3]


def test_a_quantity_without_a_tolerance_is_news_whenever_it_moves():
    pace = Pace.of(MqttConfig(host="h"), config.load(None))
    assert sent(pace, said(0, flow=1.0), said(6, flow=1.0), said(12, flow=1.001)) == [0, 12]
