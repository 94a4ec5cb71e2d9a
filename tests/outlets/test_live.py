"""What the line above the live table, and the page, say to do with the probe."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from acquire.bench.standing import Row, Status
from acquire.outlets.live import headline
from acquire.readings import Capture, CaptureState, Stamp

AT = Stamp(1_790_000_000_000, 1_000_000_000)
CAPTURE = Capture("c1", "kitchen", CaptureState.PROVISIONAL, AT, AT, {})


def status(phase, capture, unconfirmed_s):
    row = Row("ph", 7.6, None, SimpleNamespace(phase=phase), True)
    return Status("kitchen", AT, "water", 1, 92.0, "tap", (row,), capture, unconfirmed_s)


@pytest.mark.parametrize("phase", ["moving", "settled"])
@pytest.mark.parametrize(
    ("capture", "unconfirmed_s", "said"),
    [
        (None, 30.0, "kitchen, tap: 92 s in water, leave the probe still"),
        (CAPTURE, 12.0, "kitchen, tap: settled; leave it 12 s more"),
        (CAPTURE, 0.0, "kitchen, tap: captured; you may lift the probe"),
    ],
)
def test_it_depends_on_the_capture_alone_and_not_on_a_number_that_moves_for_a_moment(
    phase, capture, unconfirmed_s, said
):
    assert headline(status(phase, capture, unconfirmed_s)) == said
