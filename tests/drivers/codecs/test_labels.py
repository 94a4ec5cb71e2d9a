from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import FrameError
from acquire.quantities import BUILT_IN
from acquire.readings import Flag
from drivers.codecs.fields import Field, Numerals, Said
from drivers.codecs.labels import Labels

FIELDS = {
    "ph": Field(BUILT_IN["ph"], "pH", labels=["pH"]),
    "orp": Field(BUILT_IN["orp"], "mV", labels=["ORP"]),
    "conductivity": Field(BUILT_IN["conductivity"], "uS/cm", labels=["EC", "Cond 25"]),
    "tds": Field(BUILT_IN["tds"], "ppm", labels=["TDS"]),
    "temperature": Field(BUILT_IN["temperature"], "C", labels=["T", "Temp"]),
}


def read(text: str, decimal: str = ".") -> Said:
    numerals = Numerals(decimal=decimal)  # type: ignore[arg-type]
    return Labels(FIELDS, numerals, ignored=["BAT", "OK"]).read(text)


@pytest.mark.parametrize(
    "text",
    [
        "pH 7.01 pH, ORP 215 mV, T 21.4 C",
        "T 21.4 C, ORP 215 mV, pH 7.01 pH",
        "pH 7.01 ORP 215 T 21.4",
        "pH=7.01;ORP=215;T=21.4",
        "PH: 7.01 | orp: 215mV | temp: 21.4°C",
        "pH7.01,ORP215mV,T21.4C",
        "pH\t7.01\tORP\t215\tT\t21.4",
        "  pH 7.01  ,,  ORP +215 ; T 21.40 degC ,",
        "pH = 7.01, T = 70.52 F, ORP = 0.215 V",
        "BAT 85 %, pH 7.01, ORP 215, T 21.4",
        "pH 7.01 OK ORP 215 OK T 21.4 OK",
        "FLOW 3 L, pH 7.01, ORP 215, T 21.4 C, CL2 0.4 mg/L",
    ],
)
def test_the_same_things_are_read_however_they_are_set_out(text: str) -> None:
    said = read(text)
    assert said.values == pytest.approx({"ph": 7.01, "orp": 215.0, "temperature": 21.4})
    assert said.flags == {}
    assert said.bad == 0


def test_the_unit_in_the_line_decides() -> None:
    assert read("EC 1.41 mS/cm").values == {"conductivity": pytest.approx(1410.0)}
    assert read("EC 1410 uS/cm").values == {"conductivity": 1410.0}
    assert read("EC 1410").values == {"conductivity": 1410.0}
    assert read("Cond 25 1410 µS/cm").values == {"conductivity": 1410.0}


@pytest.mark.parametrize("text", ["EC 512 furlongs", "EC 512 mg/L", "EC 512 uS/cm per", "EC 512 x"])
def test_a_number_before_an_unknown_word_is_no_value_since_that_may_be_a_unit(text: str) -> None:
    said = read(f"pH 7.01, {text}")
    assert said.values == {"ph": 7.01}
    assert said.flags == {"conductivity": Flag.ERROR}
    assert said.bad == 1


def test_a_label_is_a_whole_word() -> None:
    assert read("TDS 256 ppm").values == {"tds": 256.0}
    assert read("T 21.4 C, TX 3, ECX 4").values == {"temperature": 21.4}


def test_words_in_the_place_of_numbers_are_flags() -> None:
    said = read("pH --- pH, ORP OR mV, EC Err uS/cm, T 21.4 C")
    assert said.values == {"temperature": 21.4}
    assert said.flags == {"ph": Flag.ERROR, "orp": Flag.OVER_RANGE, "conductivity": Flag.ERROR}
    assert said.bad == 0


@pytest.mark.parametrize(
    "shown", ["nan", "inf", "1e999", "0x1f", "1_000", "７.０１", "7,01", "1,234.5", "7.0.1", "2EC"]
)
def test_a_field_without_a_number_costs_only_itself(shown: str) -> None:
    said = read(f"T 21.4 C, pH {shown} pH, ORP 215 mV")
    assert said.values == {"temperature": 21.4, "orp": 215.0}
    assert said.flags == {"ph": Flag.ERROR}
    assert said.bad == 1


def test_a_label_without_a_value_is_a_bad_field() -> None:
    said = read("pH, ORP 215 mV")
    assert said.values == {"orp": 215.0}
    assert said.flags == {"ph": Flag.ERROR}


def test_decimal_commas_are_told_from_separating_ones() -> None:
    said = read("pH 7,01, ORP 215, T 21,4 C", decimal=",")
    assert said.values == {"ph": 7.01, "orp": 215.0, "temperature": 21.4}


@pytest.mark.parametrize(
    "text", ["pH 7.01, T 21.4, pH 7.01", "pH 7.pH 7.01 pH", "T 21.4 temp 21.4"]
)
def test_a_quantity_twice_means_that_two_lines_ran_together(text: str) -> None:
    with pytest.raises(FrameError):
        read(text)


@pytest.mark.parametrize("text", ["hello", "7.01", "?", "pH", "pH x, T y", "BAT 85", ",;|", "µ"])
def test_a_line_in_which_nothing_matches_is_no_frame(text: str) -> None:
    with pytest.raises(FrameError):
        read(text)


@given(
    st.lists(
        st.sampled_from(["pH", "T", "EC", "ORP", "7.01", "21.4", "C", "mS/cm", "mV", "OR", "---"])
        | st.sampled_from([" ", ",", ";", "=", ":", ", ", "|", "."])
        | st.text(max_size=4),
        max_size=40,
    ).map("".join),
    st.sampled_from([".", ","]),
)
def test_any_text_gives_finite_values_or_a_frame_error(text: str, decimal: str) -> None:
    try:
        said = read(text, decimal)
    except FrameError:
        return
    assert all(math.isfinite(value) for value in said.values.values())
    assert {*said.values, *said.flags} <= set(FIELDS)


@given(st.permutations(["pH 7.01 pH", "ORP 215 mV", "EC 512 uS/cm", "TDS 256 ppm", "T 21.4 C"]))
def test_the_order_does_not_matter(items: list[str]) -> None:
    assert read(", ".join(items)) == read("pH 7.01, ORP 215, EC 512, TDS 256, T 21.4")


@given(st.integers(0, 80), st.integers(0, 80))
def test_a_line_with_a_piece_missing_gives_no_value_that_was_not_in_it(a: int, b: int) -> None:
    whole = "pH 7.01 pH, ORP 215 mV, EC 512 uS/cm, TDS 256 ppm, T 21.4 C"
    lo, hi = sorted((a, b))
    try:
        said = read(whole[:lo] + whole[hi:])
    except FrameError:
        return
    # What a loss inside digits, or inside a unit (uS/cm to uS/m), does cannot be seen without a
    # checksum; what can be held is that every value is a number that stands in the line as it is
    # now, in one of the units of its quantity.
    shown = whole[:lo] + whole[hi:]
    numbers = {float(text) for text in re.findall(r"\d+\.\d+|\.?\d+", shown)}
    for name, value in said.values.items():
        units = FIELDS[name].units
        possible = [FIELDS[name].value(number, unit) for number in numbers for unit in units]
        assert any(value == pytest.approx(one) for one in possible)
