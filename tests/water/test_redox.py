"""ORP means something only with its reference electrode."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import WaterError
from acquire.readings import REFERENCE_ELECTRODES
from acquire.water.electrode import nernst_slope
from acquire.water.redox import (
    REFERENCES,
    SOLUTIONS,
    eh_of,
    light,
    orp_of,
    quinhydrone,
    quinhydrone_span,
    reference_potential,
    silver_chloride_standard,
    zobell,
)


@given(st.floats(-500, 900), st.sampled_from(["ag-agcl-3m", "ag-agcl-saturated"]), st.floats(5, 40))
def test_to_the_hydrogen_scale_and_back_is_the_same(orp, reference, temp):
    eh = eh_of(orp, reference, temp).value
    assert orp_of(eh, reference, temp).value == pytest.approx(orp)
    assert eh > orp + 180


def test_the_two_zobell_scales_are_6_millivolts_apart_at_10_degrees():
    apart = zobell(10, table="nordstrom").value - zobell(10).value
    assert apart == pytest.approx(6, abs=0.5)


def test_zobell_on_a_3_molar_electrode_reads_near_221():
    # 428 - 207 mV: Standard Methods 2580 and the electrode table of an instrument manual.
    assert orp_of(zobell(25).value, "ag-agcl-3m", 25).value == pytest.approx(221, abs=0.1)


def test_standards_without_a_table_say_where_they_hold():
    assert light(25).value == 675
    assert light(22).extrapolated
    with pytest.raises(WaterError, match="needed 20 to 30 °C"):
        light(10)
    with pytest.raises(WaterError, match="needed 0 to 50 °C"):
        zobell(60)
    assert zobell(45).extrapolated
    assert set(SOLUTIONS) == {"zobell", "light"}


def test_electrodes_known_at_25_degrees_only_are_refused_elsewhere():
    assert reference_potential("calomel-saturated", 25).value == 244
    with pytest.raises(WaterError, match="from 25 to 25 °C"):
        reference_potential("calomel-saturated", 20)
    assert reference_potential("ag-agcl-3m", 2).extrapolated


def test_an_unknown_electrode_or_table_names_the_known_ones():
    with pytest.raises(WaterError, match="ag-agcl-3m"):
        eh_of(200, "glass", 25)
    with pytest.raises(WaterError, match="standard-methods, nordstrom"):
        zobell(25, table="mine")


@given(st.floats(5, 40))
def test_stronger_chloride_means_a_lower_silver_chloride_potential(temp):
    assert (
        silver_chloride_standard(temp)
        > reference_potential("ag-agcl-3m", temp).value
        > reference_potential("ag-agcl-saturated", temp).value
    )
    assert tuple(REFERENCES) == REFERENCE_ELECTRODES  # the names a profile may use


@given(st.floats(1, 7), st.floats(5, 40))
def test_quinhydrone_falls_by_nernsts_slope_per_ph(ph, temp):
    fall = quinhydrone(ph, temp).value - quinhydrone(ph + 1, temp).value
    assert fall == pytest.approx(nernst_slope(temp))


def test_quinhydrone_is_refused_where_it_decomposes():
    with pytest.raises(WaterError, match="needed 1 to 8"):
        quinhydrone(9.0, 25)
    with pytest.raises(WaterError):
        quinhydrone_span(60)
