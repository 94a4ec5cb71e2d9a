"""What a device says of itself, and what it may say that makes no sense."""

from __future__ import annotations

import struct
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import FrameError
from acquire.quantities import BUILT_IN
from acquire.readings import Flag
from drivers.codecs.gatt_formats import (
    SIG_UNITS,
    STANDARD,
    described_name,
    described_unit,
    description_text,
    read_presentation,
    short_uuid,
    uuid_text,
)
from drivers.codecs.layout import Layout, Place
from drivers.codecs.numbers import BY_CODE, BY_NAME


@pytest.mark.parametrize("said", [0x2A6E, "2a6e", "2A6E", "0x2A6E", "00002a6e", " 2A6E "])
def test_a_short_uuid_stands_for_the_long_one(said: str | int) -> None:
    # The Bluetooth base UUID (Core Specification, volume 3, part B, 2.5.1).
    assert uuid_text(said) == "00002a6e-0000-1000-8000-00805f9b34fb"
    assert short_uuid(uuid_text(said)) == "2A6E"


def test_a_uuid_of_ones_own_stays_as_it_is() -> None:
    own = "0161820a-487a-4b75-b5a2-d56183ba2f90"
    assert uuid_text(own.upper()) == own
    assert short_uuid(own) == own


@pytest.mark.parametrize("said", ["", "xyz", "2A6", "0161820a487a", "0161820a-487a-4b75-b5a2"])
def test_what_is_no_uuid_is_refused(said: str) -> None:
    with pytest.raises(ValueError, match="UUID"):
        uuid_text(said)


@pytest.mark.parametrize("code", list(BY_CODE))
def test_a_presentation_is_read_for_every_format(code: int) -> None:
    data = struct.pack("<BbHBH", code, -2, 0x272F, 1, 0x0102)
    found = read_presentation(data)
    assert (found.format.code, found.exponent, found.unit) == (code, -2, 0x272F)
    assert (found.namespace, found.description) == (1, 0x0102)
    # The exponent counts for whole numbers only (GATT Specification Supplement, 0x2904).
    assert found.factor == (0.01 if found.format.is_integer else 1.0)


@pytest.mark.parametrize("data", [b"", bytes(6), bytes(8), b"\x00" * 7, b"\x18" + bytes(6)])
def test_what_is_no_presentation_of_a_number_is_no_frame(data: bytes) -> None:
    with pytest.raises(FrameError):
        read_presentation(data)


@given(st.binary(max_size=300))
def test_any_bytes_are_a_printable_description(data: bytes) -> None:
    text = description_text(data)
    assert len(text) <= 80
    assert text.isprintable()


@given(st.binary(max_size=20))
def test_any_bytes_are_a_presentation_or_no_frame(data: bytes) -> None:
    with suppress(FrameError):
        assert read_presentation(data).format in BY_CODE.values()


# Numbers of the SIG's list of units, as read from it.
@pytest.mark.parametrize(
    ("number", "quantity", "unit", "factor"),
    [
        (0x2705, "temperature", "K", 1.0),
        (0x272F, "temperature", "Cel", 1.0),
        (0x27AC, "temperature", "degF", 1.0),
        (0x2728, "orp", "V", 1.0),
        (0x27C4, "tds", "ppm", 1.0),
        (0x27C5, "tds", "ppm", 1e-3),
        (0x271B, "tds", "g/L", 1.0),
        (0x27B1, "tds", "mg/L", 10.0),
        (0x27AE, "salinity", "‰", 1.0),
        (0x2715, "specific_gravity", "1", 1e-3),
    ],
)
def test_a_unit_of_the_sig_is_one_of_ours(
    number: int, quantity: str, unit: str, factor: float
) -> None:
    found = SIG_UNITS[number]
    assert found.quantity == quantity
    assert described_unit("", found, BUILT_IN[quantity]) == (unit, factor)


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("Conductivity S/cm", 0x272B, ("S/m", 100.0)),
        ("EC in S/m", 0x272B, ("S/m", 1.0)),
        ("Conductivity", 0x272B, None),
        ("Conductivity uS/cm at 25 C", 0x2700, ("uS/cm", 1.0)),
        ("Conductivity [mS/cm]", 0x2700, ("mS/cm", 1.0)),
        ("Conductivity", 0x2700, None),
    ],
)
def test_what_the_list_of_units_cannot_say_of_conductivity_the_text_must(
    text: str, unit: int, expected: tuple[str, float] | None
) -> None:
    assert described_unit(text, SIG_UNITS[unit], BUILT_IN["conductivity"]) == expected


def test_a_unit_that_is_none_of_the_quantity_is_not_guessed() -> None:
    assert described_unit("pH", SIG_UNITS[0x272F], BUILT_IN["ph"]) is None
    assert described_unit("ORP", SIG_UNITS[0x2700], BUILT_IN["orp"]) is None
    assert described_unit("pH", SIG_UNITS[0x2700], BUILT_IN["ph"]) == ("", 1.0)


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("pH", "ph"),
        ("Water temperature", "temperature"),
        ("Temp.", "temperature"),
        ("EC, temperature compensated", "conductivity"),
        ("EC25", "conductivity"),
        ("Redox potential", "orp"),
        ("Total dissolved solids", "tds"),
        ("S.G.", "specific_gravity"),
        ("salt", "salinity"),
        ("phase", ""),
        ("Second temple", ""),
        ("", ""),
    ],
)
def test_a_description_names_its_quantity(text: str, name: str) -> None:
    assert described_name(text, BUILT_IN) == name


def test_the_characteristics_of_the_sig_are_read_as_laid_down() -> None:
    """GATT Specification Supplement: Temperature, Temperature 8, Battery Level."""
    temperature, small, battery = (STANDARD[uuid_text(n)] for n in (0x2A6E, 0x2B0D, 0x2A19))
    assert (temperature.format.name, temperature.factor, temperature.sentinel) == (
        "sint16",
        0.01,
        0x8000,
    )
    assert (small.format.name, small.factor, small.sentinel) == ("sint8", 0.5, 0x7F)
    assert (battery.format.name, battery.factor, battery.unit) == ("uint8", 1.0, "%")


def _tenths(number: float) -> tuple[float, Flag | None]:
    return number / 10, None


LAYOUT = Layout(
    {
        "a": Place(_tenths, BY_NAME["sint16"], 0, over_range=frozenset({0x7FFE})),
        "b": Place(_tenths, BY_NAME["medfloat16"], 2),
        "c": Place(_tenths, BY_NAME["float64"], 4, not_a_reading=frozenset({0})),
    }
)


def test_a_layout_reads_each_number_in_its_place() -> None:
    said = LAYOUT.read(bytes.fromhex("d600fe7f0000000000002440"))
    assert said.values["a"] == 21.4
    assert said.values["c"] == 1.0
    said = LAYOUT.read(bytes.fromhex("fe7fff070000000000000000"))
    assert said.flags == {"a": Flag.OVER_RANGE, "b": Flag.ERROR, "c": Flag.ERROR}
    assert said.values == {}


def test_a_number_too_large_for_any_value_is_an_error_never_infinity() -> None:
    layout = Layout({"a": Place(lambda n: (n * 1e300, None), BY_NAME["float64"])})
    assert layout.read(struct.pack("<d", 1e300)).flags == {"a": Flag.ERROR}


@given(st.binary(max_size=40))
def test_any_bytes_fill_a_layout_or_are_no_frame(data: bytes) -> None:
    try:
        said = LAYOUT.read(data)
    except FrameError:
        assert len(data) < 12
    else:
        assert set(said.values) | set(said.flags) == {"a", "b", "c"}


def test_a_block_of_another_length_is_no_frame() -> None:
    place = Place(lambda number: (number, None), BY_NAME["uint16"])
    layout = Layout({"ph": place}, 2)
    assert layout.read(b"\x07\x00").values == {"ph": 7.0}
    with pytest.raises(FrameError, match="3 bytes, not 2"):
        layout.read(b"\x07\x00\x00")
    assert not Layout({}).read(b"")
    assert layout.read(b"\x07\x00")


def test_a_number_that_is_kept_but_not_used_has_value_and_flag() -> None:
    odd = Place(lambda number: (number / 10, Flag.IMPLAUSIBLE), BY_NAME["uint16"])
    found = Layout({"ph": odd}).read(b"\xff\xff")
    assert (found.values, found.flags) == ({"ph": 6553.5}, {"ph": Flag.IMPLAUSIBLE})
    endless = Place(lambda _number: (float("inf"), None), BY_NAME["uint16"])
    found = Layout({"ph": endless}).read(b"\x01\x00")
    assert (found.values, found.flags) == ({}, {"ph": Flag.ERROR})
