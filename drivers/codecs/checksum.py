"""Checksums that text meters put at the end of a line, each as hexadecimal digits."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import reduce
from operator import xor
from types import MappingProxyType
from typing import Literal

__all__ = ["CHECKSUMS", "ChecksumName", "crc16", "crc16_modbus", "sum8", "xor8"]

ChecksumName = Literal["xor", "sum8", "crc16-modbus"]


def xor8(data: bytes) -> str:
    """Give the exclusive or of all bytes as two upper-case hexadecimal digits."""
    return f"{reduce(xor, data, 0):02X}"


def sum8(data: bytes) -> str:
    """Give the sum of all bytes modulo 256 as two upper-case hexadecimal digits."""
    return f"{sum(data) & 0xFF:02X}"


def _crc16_table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        register = byte
        for _ in range(8):
            register = (register >> 1) ^ (0xA001 if register & 1 else 0)
        table.append(register)
    return tuple(table)


_CRC16 = _crc16_table()


def crc16(data: bytes, start: int) -> int:
    """Give the CRC of polynomial 0xA001 reflected: Modbus starts it with 0xFFFF, SDI-12 with 0."""
    register = start
    for byte in data:
        register = (register >> 8) ^ _CRC16[(register ^ byte) & 0xFF]
    return register


def crc16_modbus(data: bytes) -> str:
    """Give the CRC-16 of MODBUS over Serial Line V1.02, 6.2.2, as four upper-case digits.

    Start 0xFFFF, polynomial 0xA001 reflected. The digits are the register from its high nibble
    down, as people write it; the binary protocol sends the low byte first.
    """
    return f"{crc16(data, 0xFFFF):04X}"


CHECKSUMS: Mapping[ChecksumName, Callable[[bytes], str]] = MappingProxyType(
    {"xor": xor8, "sum8": sum8, "crc16-modbus": crc16_modbus}
)
