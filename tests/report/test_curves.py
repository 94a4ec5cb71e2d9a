"""What a picture of settling shows is what was decided on, not a likeness of it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from acquire.readings import CaptureState
from acquire.report.curves import curves_of, window_ms


def redrawn(records, settings, capture, most=220):
    begin_ms, end_ms = window_ms(capture)
    return curves_of(
        capture,
        records.readings(since_ms=begin_ms, until_ms=end_ms, meter="kitchen"),
        records.channels("kitchen"),
        settings.settler,
        settings.tolerance,
        most=most,
    )


def finals(records):
    return [c for c in records.captures(state=CaptureState.FINAL) if c.values]


def test_readings_from_the_store_settle_again_where_and_when_they_settled_then(records, settings):
    compared = 0
    for capture in finals(records)[:8]:
        for name, curve in redrawn(records, settings, capture).items():
            value = capture.values[name]
            if value.phase != "settled" or curve.settled_s is None:
                continue  # what settled and moved on as the probe left is redrawn as it moved
            compared += 1
            assert curve.settled_s == pytest.approx(value.settled_after_s, abs=0.05), name
            last = curve.estimates[-1]
            assert last.is_settled
            assert last.value == pytest.approx(value.value, abs=curve.half), name
    assert compared > 30


def test_the_curve_ends_where_the_probe_left(records, settings):
    for capture in finals(records)[:4]:
        curve = redrawn(records, settings, capture)["conductivity"]
        # In air this meter shows less than half; none of that belongs to the water.
        low = min(bucket.least for bucket in curve.buckets if bucket.t_s > 30)
        assert low > 0.8 * capture.values["conductivity"].value
        # What is taken because the probe leaves is taken once that is sure: some seconds later.
        assert curve.end_s >= curve.taken_s - 10.0
        assert all(one.t_s <= curve.end_s + 0.05 for one in curve.estimates)


def test_buckets_lose_no_extreme_and_stay_few(records, settings):
    capture = finals(records)[0]
    whole = redrawn(records, settings, capture, most=100_000)["orp"]
    few = redrawn(records, settings, capture, most=40)["orp"]
    assert len(few.buckets) <= 40
    assert len(few.estimates) <= 41
    assert min(b.least for b in few.buckets) == min(b.least for b in whole.buckets)
    assert max(b.most for b in few.buckets) == max(b.most for b in whole.buckets)
    assert [b.t_s for b in few.buckets] == sorted(b.t_s for b in few.buckets)


def test_without_readings_there_is_no_curve_but_the_value_stays(records, settings):
    capture = finals(records)[0]
    found = curves_of(
        capture, [], records.channels("kitchen"), settings.settler, settings.tolerance
    )
    assert found["ph"].buckets == ()
    assert found["ph"].estimates == ()
    assert found["ph"].value == capture.values["ph"].value


def test_what_never_settled_has_no_moment(records, settings):
    (capture, *_) = records.captures(state=CaptureState.UNSETTLED)
    for curve in redrawn(records, settings, capture).values():
        assert curve.taken_s is None
        assert curve.buckets


def test_a_value_that_is_no_number_has_no_curve(records, settings):
    capture = finals(records)[0]
    values = {**capture.values, "ph": replace(capture.values["ph"], value=float("nan"))}
    assert "ph" not in redrawn(records, settings, replace(capture, values=values))
