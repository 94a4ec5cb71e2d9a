from __future__ import annotations

import math
from dataclasses import dataclass

import pytest

from acquire.bench.typed import typed_capture
from acquire.readings import CaptureState, Channel, Role, Stamp


@dataclass
class Entry:
    quantity: str
    value: float
    step: float


BEGAN, ENDED = Stamp(1_790_000_000_000, 10**12), Stamp(1_790_000_030_000, 10**12 + 30 * 10**9)
CHANNELS = [Channel("ph", 0.01), Channel("conductivity", 1.0), Channel("temperature", 0.1)]


def take(*entries, stood_still=True):
    return typed_capture(
        entries,
        id="c1",
        meter="pen",
        channels=CHANNELS,
        began=BEGAN,
        ended=ENDED,
        stood_still=stood_still,
        water="pond",
        role=Role.SUBJECT,
    )


def test_numbers_that_stood_still_are_a_final_capture_with_the_display_as_their_uncertainty():
    capture = take(Entry("ph", 7.01, 0.01), Entry("conductivity", 1410.0, 10.0))
    assert capture.state is CaptureState.FINAL
    assert (capture.started, capture.taken) == (BEGAN, ENDED)
    ph = capture.values["ph"]
    assert (ph.phase, ph.source, ph.reason) == ("settled", "typed", "")
    # A step of 0.01 is a rectangle of half-width 0.005: u = 0.01 / sqrt(12), GUM F.2.2.1.
    assert ph.budget == {"resolution": pytest.approx(0.0028868, rel=1e-4)}
    assert ph.expanded_u == pytest.approx(2 * 0.0028868, rel=1e-4)
    assert capture.values["conductivity"].expanded_u == pytest.approx(2 * 2.8868, rel=1e-4)
    assert math.isnan(ph.drift_per_min)
    assert ph.settled_after_s is None


def test_numbers_that_moved_are_kept_and_never_shown_as_settled():
    capture = take(Entry("ph", 7.01, 0.01), stood_still=False)
    assert capture.state is CaptureState.UNSETTLED
    assert capture.values["ph"].phase == "moving"
    assert "still moving" in capture.reason
    assert "still moving" in capture.values["ph"].reason
    assert not capture.derived


def test_what_follows_from_typed_values_is_worked_out_as_from_any_others():
    capture = take(Entry("conductivity", 512.0, 1.0), Entry("temperature", 20.0, 0.1))
    assert capture.derived["conductivity"].source == "derived"
    # ISO 7888 natural water: from 20 to 25 °C a factor of about 1.116.
    assert capture.derived["conductivity"].value == pytest.approx(512 * 1.116, rel=2e-3)
