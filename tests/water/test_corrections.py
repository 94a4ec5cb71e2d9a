"""Corrections from checks: asked for, shown, undone."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import WaterError
from acquire.water.corrections import (
    Correction,
    acceptance_ph,
    acceptance_standard,
    from_one_check,
    from_two_checks,
)


@given(st.floats(-2, 16), st.floats(-1, 1), st.floats(0.6, 1.9))
def test_a_correction_is_undone_exactly(said, offset, gain):
    correction = Correction(offset, gain, 7.0)
    assert correction.undo(correction.apply(said)) == pytest.approx(said, abs=1e-12)


@given(st.floats(0.9, 1.1), st.floats(-0.3, 0.3))
def test_two_checks_give_back_the_slope_and_offset_of_a_ph_meter(slope, offset):
    def said(true):
        return 7 + slope * (true - 7) + offset

    found = from_two_checks((said(4.01), 4.01), (said(7.0), 7.0), pivot=7.0)
    assert 1 / found.gain == pytest.approx(slope)
    for true in (4.01, 5.5, 8.2):
        assert found.apply(said(true)) == pytest.approx(true)


def test_one_check_corrects_by_an_offset_alone():
    assert from_one_check(7.06, 7.0).apply(8.0) == pytest.approx(7.94)
    assert str(from_one_check(7.06, 7.0)) == "-0.06"


def test_more_than_a_correction_may_hide_is_refused():
    with pytest.raises(WaterError, match="clean the probe"):
        from_two_checks((6.9, 4.0), (7.0, 7.0))
    with pytest.raises(WaterError, match="read the same"):
        from_two_checks((7.0, 4.0), (7.0, 7.0))


def test_published_acceptance_names_its_rule():
    assert acceptance_standard("usgs-nfm-a6.3", 100) == 5
    assert acceptance_standard("usgs-nfm-a6.3", 1413) == pytest.approx(42.39)
    assert acceptance_standard("epa-sop-2010", 1413) == pytest.approx(70.65)
    with pytest.raises(WaterError, match=r"usgs-nfm-a6\.3, epa-sop-2010"):
        acceptance_standard("ours", 100)
    with pytest.raises(WaterError, match="epa-sop-2010"):
        acceptance_ph("ours")
