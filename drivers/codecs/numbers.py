"""Numbers as bytes: the formats 0x01 to 0x17 of the Bluetooth SIG's assigned numbers.

Source: Bluetooth SIG, Assigned Numbers, "Format Types" of the characteristic presentation format
descriptor. A format that is not a whole number of bytes stands in the low bits of the next whole
number; the other bits are ignored (Bluetooth Core Specification, volume 3, part G, 3.3.3.5.2; from
memory). 0x16 and 0x17 are the 16- and 32-bit floating types of ISO/IEEE 11073-20601: a mantissa
times a power of ten, with five mantissas set aside (from memory).
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from acquire.errors import FrameError
from acquire.readings import Flag

__all__ = [
    "BY_CODE",
    "BY_NAME",
    "ByteOrder",
    "NumberFormat",
    "decode_number",
    "encode_number",
    "shortest",
]

ByteOrder = Literal["little", "big"]
_Kind = Literal["unsigned", "signed", "ieee", "decimal"]


@dataclass(frozen=True, slots=True)
class NumberFormat:
    """One row of the SIG's table."""

    code: int
    name: str
    bits: int
    kind: _Kind

    @property
    def size(self) -> int:
        """Bytes it takes."""
        return (self.bits + 7) // 8

    @property
    def is_integer(self) -> bool:
        """Whether the exponent of a presentation format counts: it does for integers only."""
        return self.kind in {"unsigned", "signed"}


def _table() -> tuple[NumberFormat, ...]:
    unsigned = (2, 4, 8, 12, 16, 24, 32, 48, 64, 128)
    signed = (8, 12, 16, 24, 32, 48, 64, 128)
    rows: list[tuple[str, int, _Kind]] = [("boolean", 1, "unsigned")]
    rows += [(f"uint{bits}", bits, "unsigned") for bits in unsigned]
    rows += [(f"sint{bits}", bits, "signed") for bits in signed]
    rows += [("float32", 32, "ieee"), ("float64", 64, "ieee")]
    rows += [("medfloat16", 16, "decimal"), ("medfloat32", 32, "decimal")]
    return tuple(NumberFormat(code, *row) for code, row in enumerate(rows, start=1))


BY_CODE = MappingProxyType({row.code: row for row in _table()})
"""By the number in the descriptor, 0x01 to 0x17."""
BY_NAME = MappingProxyType({row.name: row for row in BY_CODE.values()})
"""By the SIG's name, as profiles write it."""

# Bits of the mantissa in the decimal formats; the exponent has the rest.
_MANTISSA = {16: 12, 32: 24}


def decode_number(
    data: bytes, kind: NumberFormat, order: ByteOrder = "little", *, sentinels: frozenset[int]
) -> float | Flag:
    """Give the number those bytes are, or why they are none.

    `sentinels` are bit patterns that mean "no reading"; in them the sign does not matter. An
    infinity is OVER_RANGE, "not a number" is ERROR. FrameError when the bytes are too few or many.
    """
    if len(data) != kind.size:
        raise FrameError(f"{kind.name} takes {kind.size} bytes, not {len(data)}", used=len(data))
    pattern = int.from_bytes(data, order) & ((1 << kind.bits) - 1)
    if pattern in sentinels:
        return Flag.ERROR
    match kind.kind:
        case "unsigned":
            return float(pattern)
        case "signed":
            return float(_signed(pattern, kind.bits))
        case "ieee":
            raw = pattern.to_bytes(kind.size, "little")
            if kind.bits == 32:
                return _finite(shortest(struct.unpack("<f", raw)[0]))
            return _finite(struct.unpack("<d", raw)[0])
        case _:
            return _decimal(pattern, kind.bits)


def encode_number(value: float, kind: NumberFormat, order: ByteOrder = "little") -> bytes:
    """Write a number the way `decode_number` reads it; ValueError when it does not fit."""
    match kind.kind:
        case "unsigned" | "signed":
            pattern = _integer_pattern(value, kind)
        case "ieee":
            letter = "f" if kind.bits == 32 else "d"
            pattern = int.from_bytes(struct.pack(f"<{letter}", value), "little")
        case _:
            pattern = _decimal_pattern(value, kind.bits)
    return pattern.to_bytes(kind.size, order)


def shortest(number: float) -> float:
    """Give the double with the fewest digits that is the same 32-bit number: 7.01, not 7.01000…

    It is what the meter meant, and what a store keeps in few bytes.
    """
    if not math.isfinite(number):
        return number
    for digits in (6, 7, 8):
        short = float(f"{number:.{digits}g}")
        # The largest of all, rounded up to 8 digits, is still packed: below half a step beyond.
        if struct.unpack(">f", struct.pack(">f", short))[0] == number:
            return short
    return number


def _signed(pattern: int, bits: int) -> int:
    return pattern - (1 << bits) if pattern >> (bits - 1) else pattern


def _finite(value: float) -> float | Flag:
    if math.isfinite(value):
        return value
    return Flag.ERROR if math.isnan(value) else Flag.OVER_RANGE


def _decimal(pattern: int, bits: int) -> float | Flag:
    width = _MANTISSA[bits]
    mantissa = _signed(pattern & ((1 << width) - 1), width)
    exponent = _signed(pattern >> width, bits - width)
    half = 1 << (width - 1)
    if exponent == 0 and mantissa in {half - 2, 2 - half}:  # plus and minus infinity
        return Flag.OVER_RANGE
    # Not a number; not at this resolution; reserved.
    if exponent == 0 and mantissa in {half - 1, -half, 1 - half}:
        return Flag.ERROR
    return _finite(mantissa * 10.0**exponent if exponent >= 0 else mantissa / 10.0**-exponent)


def _integer_pattern(value: float, kind: NumberFormat) -> int:
    whole = round(value)
    low = -(1 << (kind.bits - 1)) if kind.kind == "signed" else 0
    high = low + (1 << kind.bits) - 1
    if not low <= whole <= high:
        raise ValueError(f"{value} does not fit {kind.name}: {low} to {high}")
    return whole & ((1 << kind.bits) - 1)


def _decimal_pattern(value: float, bits: int) -> int:
    """Take the smallest exponent whose mantissa fits: the finest step."""
    width = _MANTISSA[bits]
    most = (1 << (width - 1)) - 3
    reach = 1 << (bits - width - 1)
    for exponent in range(-reach, reach):
        mantissa = value / 10.0**exponent if exponent >= 0 else value * 10.0**-exponent
        if math.isfinite(mantissa) and abs(round(mantissa)) <= most:
            low = round(mantissa) & ((1 << width) - 1)
            return (exponent & ((1 << (bits - width)) - 1)) << width | low
    raise ValueError(f"{value} does not fit medfloat{bits}")
