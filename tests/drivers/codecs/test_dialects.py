from __future__ import annotations

import pytest

from drivers.codecs.dialects import (
    ERROR,
    NO_READING,
    OVER_RANGE,
    encode_columns,
    encode_labelled,
    encode_polled,
)
from tests.shown import SHOWN as WATER


def test_a_labelled_line_names_every_value_and_its_unit() -> None:
    assert encode_labelled(WATER) == (
        b"pH 7.01 pH, ORP 215 mV, EC 512 uS/cm, TDS 256 ppm, SAL 0.03 %, SG 1.000, T 21.4 C\r\n"
    )


def test_columns_stand_in_their_order_with_decimal_commas() -> None:
    assert encode_columns(WATER) == b"7,01;215;512;256;0,03;1,000;21,4\n"


def test_a_polled_answer_ends_in_the_exclusive_or_of_what_it_says() -> None:
    line = encode_polled(WATER)
    said, _, check = line.removesuffix(b"\r\n").rpartition(b"*")
    assert said == b"PH=7.01 MV=215 EC=512 TDS=256 SAL=0.03 SG=1.000 TC=21.4"
    total = 0
    for byte in said:
        total ^= byte
    assert int(check, 16) == total


@pytest.mark.parametrize(
    ("conductivity", "labelled", "column"),
    [
        (1999.4, b"EC 1999 uS/cm", b"1999"),
        (1999.6, b"EC 2.00 mS/cm", b"2000"),
        (12880.0, b"EC 12.88 mS/cm", b"12880"),
        (12884.0, b"EC 12.88 mS/cm", b"12880"),
    ],
)
def test_conductivity_changes_its_display_at_two_thousand(
    conductivity: float, labelled: bytes, column: bytes
) -> None:
    assert encode_labelled({"conductivity": conductivity}) == labelled + b"\r\n"
    assert encode_columns({"conductivity": conductivity}).split(b";")[2] == column


def test_words_and_dashes_stand_where_numbers_would() -> None:
    said = {"ph": None, "orp": OVER_RANGE, "temperature": ERROR}
    assert encode_labelled(said) == b"pH --- pH, ORP OR mV, T Err C\r\n"
    assert encode_columns(said) == b"---;OR;---;---;---;---;Err\n"
    assert encode_polled(said).startswith(b"PH=--- MV=OR TC=Err*")
    assert NO_READING == "---"


def test_a_small_negative_number_shows_no_minus_zero() -> None:
    assert encode_labelled({"temperature": -0.04}) == b"T 0.0 C\r\n"


@pytest.mark.parametrize("encode", [encode_labelled, encode_columns, encode_polled])
def test_what_no_display_can_show_is_refused(encode) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match="turbidity"):
        encode({"turbidity": 1.0})
    with pytest.raises(ValueError, match="ph"):
        encode({"ph": float("nan")})
