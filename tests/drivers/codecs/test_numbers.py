"""Every format of the SIG's table: known bytes, both ways, and whatever bytes there are."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import FrameError
from acquire.readings import Flag
from acquire.store.packs import Said, packed
from drivers.codecs.numbers import BY_CODE, BY_NAME, decode_number, encode_number

NONE = frozenset()

# Bluetooth SIG, Assigned Numbers, format types: code and name (as in protocol notes read from the
# SIG's own list). The bytes beside them are worked out by hand from the definition of each type.
TABLE = [
    (0x01, "boolean", "01", 1.0),
    (0x02, "uint2", "03", 3.0),
    (0x03, "uint4", "0f", 15.0),
    (0x04, "uint8", "ff", 255.0),
    (0x05, "uint12", "ff0f", 4095.0),
    (0x06, "uint16", "3412", 0x1234),
    (0x07, "uint24", "563412", 0x123456),
    (0x08, "uint32", "78563412", 0x12345678),
    (0x09, "uint48", "bc9a78563412", 0x123456789ABC),
    (0x0A, "uint64", "0100000000000080", 2.0**63 + 1),
    (0x0B, "uint128", "00000000000000000000000000000080", 2.0**127),
    (0x0C, "sint8", "80", -128.0),
    (0x0D, "sint12", "0008", -2048.0),
    (0x0E, "sint16", "ffff", -1.0),
    (0x0F, "sint24", "000080", -8388608.0),
    (0x10, "sint32", "feffffff", -2.0),
    (0x11, "sint48", "000000000080", -(2.0**47)),
    (0x12, "sint64", "ffffffffffffff7f", 2.0**63 - 1),
    (0x13, "sint128", "ff" * 16, -1.0),
    (0x14, "float32", "0000c0bf", -1.5),
    (0x15, "float64", "000000000000f83f", 1.5),
    (0x16, "medfloat16", "d6d0", 2.14e-1),
    (0x17, "medfloat32", "d60000ff", 21.4),
]


def test_the_table_has_every_code_of_a_number() -> None:
    assert list(BY_CODE) == list(range(0x01, 0x18))
    assert [(row.code, row.name) for row in BY_CODE.values()] == [one[:2] for one in TABLE]


@pytest.mark.parametrize(("code", "name", "data", "value"), TABLE, ids=[one[1] for one in TABLE])
def test_known_bytes_are_the_number_they_are(code: int, name: str, data: str, value: float) -> None:
    kind = BY_CODE[code]
    assert kind is BY_NAME[name]
    assert decode_number(bytes.fromhex(data), kind, sentinels=NONE) == pytest.approx(value)
    swapped = bytes.fromhex(data)[::-1]
    assert decode_number(swapped, kind, "big", sentinels=NONE) == pytest.approx(value)


@pytest.mark.parametrize(("name", "data", "value"), [("uint12", "ffff", 4095), ("uint4", "f1", 1)])
def test_bits_beyond_the_number_are_ignored(name: str, data: str, value: int) -> None:
    assert decode_number(bytes.fromhex(data), BY_NAME[name], sentinels=NONE) == value


# ISO/IEEE 11073-20601 sets five mantissas aside, with an exponent of nought (from memory); the
# 36.4 below is the worked example that circulates with the health thermometer (from memory).
@pytest.mark.parametrize(
    ("name", "data", "value"),
    [
        ("medfloat16", "ff07", Flag.ERROR),
        ("medfloat16", "0008", Flag.ERROR),
        ("medfloat16", "0108", Flag.ERROR),
        ("medfloat16", "fe07", Flag.OVER_RANGE),
        ("medfloat16", "0208", Flag.OVER_RANGE),
        ("medfloat16", "ffe7", 20.47),
        ("medfloat32", "ffff7f00", Flag.ERROR),
        ("medfloat32", "00008000", Flag.ERROR),
        ("medfloat32", "01008000", Flag.ERROR),
        ("medfloat32", "feff7f00", Flag.OVER_RANGE),
        ("medfloat32", "02008000", Flag.OVER_RANGE),
        ("medfloat32", "6c0100ff", 36.4),
        ("float32", "0000c07f", Flag.ERROR),
        ("float32", "0000807f", Flag.OVER_RANGE),
        ("float64", "000000000000f0ff", Flag.OVER_RANGE),
    ],
)
def test_what_is_no_number_is_a_flag(name: str, data: str, value: float | Flag) -> None:
    found = decode_number(bytes.fromhex(data), BY_NAME[name], sentinels=NONE)
    assert found == (value if isinstance(value, Flag) else pytest.approx(value))


def test_a_sentinel_is_no_reading_whichever_way_its_sign_is_written() -> None:
    kind = BY_NAME["sint16"]
    assert decode_number(b"\x00\x80", kind, sentinels=frozenset({0x8000})) is Flag.ERROR
    assert decode_number(b"\x01\x80", kind, sentinels=frozenset({0x8000})) == -32767


@pytest.mark.parametrize("kind", BY_CODE.values(), ids=lambda kind: kind.name)
def test_too_few_or_many_bytes_are_no_frame(kind) -> None:
    for length in (0, kind.size - 1, kind.size + 1):
        with pytest.raises(FrameError):
            decode_number(bytes(length), kind, sentinels=NONE)


@pytest.mark.parametrize("kind", BY_CODE.values(), ids=lambda kind: kind.name)
@given(data=st.data())
def test_any_bytes_are_a_finite_number_or_a_flag(kind, data) -> None:
    raw = data.draw(st.binary(min_size=kind.size, max_size=kind.size))
    found = decode_number(raw, kind, sentinels=NONE)
    assert isinstance(found, Flag) or math.isfinite(found)


@pytest.mark.parametrize("kind", BY_CODE.values(), ids=lambda kind: kind.name)
@given(data=st.data())
def test_what_is_written_is_read_back(kind, data) -> None:
    if kind.is_integer:
        low = -(1 << (kind.bits - 1)) if kind.kind == "signed" else 0
        value = float(data.draw(st.integers(low, low + (1 << min(kind.bits, 53)) - 1)))
        assert decode_number(encode_number(value, kind), kind, sentinels=NONE) == value
        return
    value = data.draw(st.floats(-1e6, 1e6))
    error = {"float32": 1e-6, "float64": 0.0, "medfloat16": 3e-3, "medfloat32": 1e-6}[kind.name]
    found = decode_number(encode_number(value, kind), kind, sentinels=NONE)
    assert found == pytest.approx(value, rel=error, abs=1e-5)


def test_a_float32_is_the_number_the_meter_meant() -> None:
    for said in (25.1, 7.01, 1413.0, 0.1, -212.4, 16777.2):
        assert decode_number(struct.pack("<f", said), BY_NAME["float32"], sentinels=NONE) == said
    # A double has all of its digits already.
    raw = struct.pack("<d", 0.1 + 0.2)
    assert decode_number(raw, BY_NAME["float64"], sentinels=NONE) == 0.1 + 0.2


@given(st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_a_float32_loses_none_of_its_bits(value: float) -> None:
    raw = struct.pack("<f", value)
    found = decode_number(raw, BY_NAME["float32"], sentinels=NONE)
    assert struct.pack("<f", found) == raw


@given(st.integers(-99_999, 99_999), st.integers(0, 4))
def test_float32_readings_of_a_meter_fit_a_pack(shown: int, digits: int) -> None:
    value = decode_number(struct.pack("<f", shown / 10**digits), BY_NAME["float32"], sentinels=NONE)
    assert isinstance(value, float)
    packs, single = packed([Said(0, 1, (1,), ((value, 0),))])
    assert len(packs) == 1
    assert not single


@given(st.floats(-8e6, 8e6))
def test_float32_agrees_with_the_standard_library(value: float) -> None:
    assert encode_number(value, BY_NAME["float32"]) == struct.pack("<f", value)


@pytest.mark.parametrize(("name", "value"), [("uint8", 256), ("sint8", -129), ("medfloat16", 1e12)])
def test_a_number_that_does_not_fit_is_refused(name: str, value: float) -> None:
    with pytest.raises(ValueError, match="does not fit"):
        encode_number(value, BY_NAME[name])
