"""What buffers say about a pH electrode, and the buffers themselves."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import WaterError
from acquire.water.buffers import PRIMARY, TECHNICAL, buffer_ph
from acquire.water.electrode import (
    BufferReading,
    Electrode,
    evaluate_electrode,
    judge_electrode,
    nernst_slope,
    ph_of_potential,
)


def mv_of(ph, *, slope=1.0, offset=0.0, temp=25.0):
    return offset - slope * nernst_slope(temp) * (ph - 7.0)


@given(st.floats(0.8, 1.05), st.floats(-40, 40), st.floats(5, 40))
def test_two_buffers_give_back_slope_and_offset_at_any_temperature(slope, offset, temp):
    readings = [
        BufferReading(ph, mv_of(ph, slope=slope, offset=offset, temp=temp)) for ph in (4.0, 7.0)
    ]
    found = evaluate_electrode(readings, temp_c=temp)
    assert found.slope_percent == pytest.approx(100 * slope)
    assert found.offset_mv == pytest.approx(offset, abs=1e-9)
    assert found.worst_residual_mv == 0


@given(st.floats(2, 12), st.floats(0.9, 1.02), st.floats(-20, 20))
def test_the_evaluated_electrode_reads_the_ph_it_was_given(ph, slope, offset):
    electrode = Electrode(100 * slope, offset, None, 0.0)
    mv = mv_of(ph, slope=slope, offset=offset, temp=18.0)
    assert ph_of_potential(mv, electrode, temp_c=18.0) == pytest.approx(ph)


def test_one_buffer_gives_the_offset_alone():
    found = evaluate_electrode([BufferReading(4.0, mv_of(4.0, offset=12.0))], temp_c=25.0)
    assert found.slope_percent is None
    assert found.offset_mv == pytest.approx(12.0)
    verdict, reasons = judge_electrode(found)
    assert verdict == "usable"
    assert any("second" in reason for reason in reasons)


def test_three_buffers_show_an_electrode_that_bends():
    readings = [BufferReading(4.0, 177.5), BufferReading(7.0, 0.0), BufferReading(10.0, -160.0)]
    found = evaluate_electrode(readings, temp_c=25.0)
    assert found.segments_percent == pytest.approx((100.0, 90.15), abs=0.1)
    assert found.worst_residual_mv > 2
    assert "differ by" in " ".join(judge_electrode(found)[1])


@pytest.mark.parametrize(
    ("slope", "offset", "verdict"),
    [
        (98.0, 5.0, "good"),
        (103.0, 5.0, "usable"),
        (98.0, 22.0, "usable"),
        (92.0, 5.0, "poor"),
        (98.0, -35.0, "poor"),
        (107.0, 0.0, "poor"),
    ],
)
def test_the_verdict_names_whose_rule_it_is(slope, offset, verdict):
    # Slope: USGS NFM A6.4; the wider window and the offsets: common practice, from memory.
    found, reasons = judge_electrode(Electrode(slope, offset, None, 0.0))
    assert found == verdict
    assert all("(" in reason for reason in reasons)


def test_buffers_that_say_nothing_are_refused():
    with pytest.raises(WaterError, match="at least one"):
        evaluate_electrode([], temp_c=25)
    with pytest.raises(WaterError, match="less than 1 pH apart"):
        evaluate_electrode([BufferReading(7.0, 0), BufferReading(6.86, 8)], temp_c=25)
    with pytest.raises(WaterError, match="swapped"):
        evaluate_electrode([BufferReading(4.0, -170), BufferReading(7.0, 0)], temp_c=25)


# Bates, J. Res. NBS 66A (1962) 179: pH(S) = A/T + B + C T + D T² (from memory). An older scale of
# the same solutions, up to 0.011 away from IUPAC 2002.
BATES = {
    "phthalate": (1617.3, -9.2852, 0.033311, -2.3211e-5),
    "phosphate": (3459.39, -21.0574, 0.073301, -6.2266e-5),
    "phosphate-1-3.5": (5706.61, -43.9428, 0.154785, -15.6745e-5),
    "borate": (5259.02, -33.1064, 0.114826, -10.7860e-5),
}


@pytest.mark.parametrize("name", BATES)
@given(temp=st.floats(0, 50))
def test_primary_buffers_follow_the_equations_of_bates(name, temp):
    a, b, c, d = BATES[name]
    kelvin = temp + 273.15
    expected = a / kelvin + b + c * kelvin + d * kelvin**2
    assert buffer_ph("primary", name, temp).value == pytest.approx(expected, abs=0.012)


@pytest.mark.parametrize("table", [*PRIMARY.values(), *TECHNICAL.values()])
def test_between_the_lines_a_buffer_neither_jumps_nor_overshoots(table):
    low, high = int(table.temps_c[0]), int(table.temps_c[-1])
    values = [table.at(t / 2).value for t in range(2 * low, 2 * high + 1)]
    assert max(abs(b - a) for a, b in itertools.pairwise(values)) < 0.012
    assert min(table.values) - 0.003 <= min(values)
    assert max(values) <= max(table.values) + 0.003


def test_the_two_families_are_kept_apart():
    apart = buffer_ph("technical", "7.00", 25).value - buffer_ph("primary", "phosphate", 25).value
    assert apart == pytest.approx(0.135)
    with pytest.raises(WaterError, match=r"4\.01, 7\.00, 10\.01"):
        buffer_ph("technical", "phosphate", 25)
    with pytest.raises(WaterError, match="primary or technical"):
        buffer_ph("mixed", "phosphate", 25)
    with pytest.raises(WaterError, match="from 25 to 50 °C"):
        buffer_ph("primary", "tartrate", 10)


def test_the_carbonate_buffer_of_staples_and_bates_is_met():
    # Staples & Bates, J. Res. NBS 73A (1969) 37: 10.012 at 25 °C.
    assert buffer_ph("primary", "carbonate", 25).value == pytest.approx(10.012, abs=0.002)
