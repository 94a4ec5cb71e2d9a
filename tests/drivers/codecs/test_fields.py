from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import FrameError
from acquire.quantities import BUILT_IN
from acquire.readings import Flag
from drivers.codecs.fields import Field, Numerals, Said

# Each looks like a number to some program and is none here.
NO_NUMBERS = [
    "nan",
    "NaN",
    "inf",
    "-inf",
    "Infinity",
    "1e999",
    "1e5",
    "1E+02",
    "0x1f",
    "1_000",
    "1,234",
    "1.234,5",
    "1.2.3",
    "7.",
    ".",
    "-",
    "+",
    "--7",
    "- 7",
    "7 01",
    "７.０１",
    "٧.٠١",
    "−7.01",
    "7.01\u0660",
    "1" * 13,
    "0." + "1" * 13,
    "",
    " ",
]
NUMBERS = {
    "7.01": 7.01,
    "-3": -3.0,
    "+0.50": 0.5,
    ".5": 0.5,
    "007": 7.0,
    "-0.0": 0.0,
    "123456789012": 123456789012.0,
}


@pytest.mark.parametrize("text", NO_NUMBERS)
def test_what_only_looks_like_a_number_is_none(text: str) -> None:
    assert Numerals().read(text) is None


@pytest.mark.parametrize(("text", "number"), NUMBERS.items())
def test_plain_numbers_are_read(text: str, number: float) -> None:
    assert Numerals().read(text) == number
    assert Numerals(decimal=",").read(text.replace(".", ",")) == number


@pytest.mark.parametrize("text", ["7.01", "1.234,5", "7,01,5"])
def test_with_a_decimal_comma_a_point_is_no_decimal_mark(text: str) -> None:
    assert Numerals(decimal=",").read(text) is None


@pytest.mark.parametrize(
    ("word", "flag"),
    [("OR", Flag.OVER_RANGE), ("or", Flag.OVER_RANGE), ("---", Flag.ERROR), ("ERR", Flag.ERROR)],
)
def test_words_are_flags_whatever_their_case(word: str, flag: Flag) -> None:
    assert Numerals().read(word) is flag


@given(st.text(max_size=20))
def test_any_text_is_a_finite_number_a_flag_or_nothing(text: str) -> None:
    read = Numerals().read(text)
    assert read is None or isinstance(read, Flag) or math.isfinite(read)


@given(st.floats(-1e6, 1e6), st.integers(0, 6), st.sampled_from([".", ","]))
def test_a_number_written_with_decimals_is_read_back(
    value: float, places: int, decimal: str
) -> None:
    text = f"{value:.{places}f}"
    read = Numerals(decimal=decimal).read(text.replace(".", decimal))  # type: ignore[arg-type]
    assert read == float(text)


@pytest.mark.parametrize(
    ("quantity", "unit", "number", "value"),
    [
        ("temperature", "F", 212.0, 100.0),  # the boiling point that defines the scale
        ("temperature", "K", 298.15, 25.0),  # SI Brochure, 9th edition: t/°C = T/K - 273.15
        ("conductivity", "mS/cm", 1.413, 1413.0),  # SI prefixes
        ("conductivity", "S/m", 0.1413, 1413.0),
        ("orp", "V", 0.215, 215.0),
        ("salinity", "%", 3.5, 35.0),  # a percentage of mass is ten grams to the kilogram
    ],
)
def test_units_are_converted_to_the_quantitys_own(
    quantity: str, unit: str, number: float, value: float
) -> None:
    assert Field(BUILT_IN[quantity], unit).value(number) == pytest.approx(value, rel=1e-12)


def test_an_odd_scale_is_undone_before_the_unit() -> None:
    ten_times = Field(BUILT_IN["conductivity"], "mS/cm", factor=0.1, offset=0.5)
    assert ten_times.value(10.0) == pytest.approx(1500.0)


def test_a_value_outside_the_plausible_range_is_kept_and_flagged() -> None:
    said = Said()
    said.put(Field(BUILT_IN["ph"], "pH"), 70.1)
    assert said.values == {"ph": 70.1}
    assert said.flags == {"ph": Flag.IMPLAUSIBLE}


def test_a_line_without_any_sense_is_no_frame_and_one_with_a_word_is() -> None:
    place = Field(BUILT_IN["ph"], "pH")
    nonsense, word = Said(), Said()
    nonsense.put(place, None)
    word.put(place, Flag.ERROR)
    with pytest.raises(FrameError):
        nonsense.checked()
    assert word.checked().flags == {"ph": Flag.ERROR}
    with pytest.raises(FrameError):
        Said().checked()
