"""SDI-12: what a sensor may answer, and the check characters behind its values.

Source: SDI-12 Support Group, "SDI-12, A Serial-Digital Interface Standard for Microprocessor-Based
Sensors", Version 1.4, 20 February 2023. Texts are without the CR LF that ends every response; an
answer of the wrong form raises `FrameError`, and nothing here raises anything else.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from acquire.errors import FrameError
from drivers.codecs.checksum import crc16

__all__ = ["CHARACTER_S", "PAGE_MOST", "PAGE_MOST_LONG", "RESPONSE_MOST", "Described"]
__all__ += [
    "Identification",
    "Number",
    "Start",
    "check_characters",
    "decode",
    "is_address",
    "pages",
]
__all__ += ["parse_address", "parse_described", "parse_identification"]
__all__ += ["parse_start", "parse_values", "with_crc", "with_parity", "without_crc"]
__all__ += ["without_parity", "write_number"]

CHARACTER_S = 10 / 1200
"""Seconds a character takes on the wire: ten bits at 1200 baud."""
RESPONSE_MOST = 128
"""Characters of a response; the longest the standard orders has 79, a maker's own may have more."""
PAGE_MOST, PAGE_MOST_LONG = 35, 75
"""Characters of values in one answer: to D after M and V; after C and HA, and to R."""

_END = b"\r\n"
# Behind DEL nothing is ASCII; DEL itself may be a check character.
_TEXT = re.compile(rb"[\x02\x03\x20-\x7f]*")
_NUMBER = re.compile(r"[+-](?=\.?[0-9])[0-9]*\.?[0-9]*")
_NUMBERS = re.compile(rf"(?:{_NUMBER.pattern})*")
_DIGITS_MOST = 7


@dataclass(frozen=True, slots=True)
class Start:
    """The answer to a command that starts a measurement."""

    ready_s: int
    """Seconds, 0 to 999, until the values can be had."""
    count: int
    """How many values there will be; none means that the sensor does not do this."""


@dataclass(frozen=True, slots=True)
class Number:
    """One value, as it was written."""

    text: str

    @property
    def value(self) -> float:
        return float(self.text)

    @property
    def decimals(self) -> int:
        return len(self.text.partition(".")[2])


@dataclass(frozen=True, slots=True)
class Identification:
    """The answer to I."""

    version: str
    """Of SDI-12 the sensor keeps to: "1.4"."""
    vendor: str
    model: str
    revision: str
    optional: str
    """Up to 13 characters of the maker's choice: often the serial number."""


@dataclass(frozen=True, slots=True)
class Described:
    """What a sensor says of one of its values."""

    name: str
    """A short identifier; the standard advises a SHEF code."""
    unit: str
    more: tuple[str, ...] = ()
    """Fields of the maker's choice."""


def is_address(text: str) -> bool:
    """Whether this can be a sensor's address: one of 0-9, A-Z, a-z."""
    return len(text) == 1 and text.isascii() and text.isalnum()


def decode(buffer: bytes | bytearray) -> tuple[int, str | None]:
    """Take the first response off the buffer; NUL bytes before it are the break, heard as such.

    `FrameError.used` says how many bytes a bad one took, always at least one.
    """
    nuls = len(buffer) - len(buffer.lstrip(b"\0"))
    if nuls:
        return nuls, None
    end = buffer.find(_END, 0, RESPONSE_MOST + len(_END))
    if end < 0:
        if len(buffer) < RESPONSE_MOST + len(_END):
            return 0, None
        raise FrameError(f"longer than {RESPONSE_MOST} characters", used=RESPONSE_MOST + 1)
    used = end + len(_END)
    raw = bytes(buffer[:end])
    if not _TEXT.fullmatch(raw):
        raise FrameError("characters that SDI-12 does not have", used=used)
    return used, raw.decode("ascii")


def without_parity(data: bytes) -> bytes:
    """Check even parity in the eighth bit and take it away."""
    for byte in data:
        if byte.bit_count() & 1:
            raise FrameError("wrong parity", used=len(data))
    return bytes(byte & 0x7F for byte in data)


def with_parity(data: bytes) -> bytes:
    """Put even parity into the eighth bit of seven-bit characters."""
    return bytes(byte | (byte.bit_count() & 1) << 7 for byte in data)


def check_characters(text: str) -> str:
    """Give the three characters of the CRC over a response from its address on.

    Start 0, polynomial 0xA001 reflected; six bits each, high ones first, from 0x40 on.
    """
    crc = crc16(text.encode("ascii", "replace"), 0)
    return "".join(chr(0x40 | crc >> shift & 0x3F) for shift in (12, 6, 0))


def with_crc(text: str) -> str:
    return text + check_characters(text)


def without_crc(text: str) -> str:
    """Give the response without its check characters, or raise when they are wrong."""
    if text[-3:] != check_characters(text[:-3]):
        raise FrameError("wrong check characters")
    return text[:-3]


def parse_address(text: str, expected: str | None = None) -> str:
    """Read an address alone: the answer to `a!`, `?!` and `aAb!`, and a service request."""
    if not is_address(text) or text != (expected or text):
        raise FrameError("not the address alone")
    return text


def parse_start(text: str, address: str, digits: Literal[1, 2, 3] = 1) -> Start:
    """Read `atttn`: digits of the count are 1 after M and V, 2 after C, 3 after HA and HB.

    The address alone is how a sensor refuses R; after any other command it is taken so too.
    """
    if text == address:
        return Start(0, 0)
    said = _said(text, address)
    if not re.fullmatch(rf"[0-9]{{{3 + digits}}}", said):
        raise FrameError(f"not three digits of seconds and {digits} of count")
    return Start(int(said[:3]), int(said[3:]))


def parse_values(text: str, address: str, *, crc: bool = False) -> tuple[Number, ...]:
    """Read the answer to D or R: no values at all when it is the address alone."""
    if text == address:
        return ()  # with or without check characters: there is nothing to protect
    said = _said(without_crc(text) if crc else text, address)
    if not _NUMBERS.fullmatch(said):
        raise FrameError("not a row of values with their signs")
    numbers = tuple(Number(one) for one in _NUMBER.findall(said))
    for number in numbers:
        if len(number.text) - 1 - ("." in number.text) > _DIGITS_MOST:
            raise FrameError(f"a value of more than {_DIGITS_MOST} digits")
    return numbers


def parse_identification(text: str, address: str) -> Identification:
    """Read the answer to I: version 2, vendor 8, model 6, revision 3, optional 0 to 13."""
    said = _said(text, address)
    if not 19 <= len(said) <= 32 or not re.fullmatch(r"[0-9]{2}", said[:2]):
        raise FrameError("not an identification")
    parts = (said[2:10], said[10:16], said[16:19], said[19:])
    return Identification(f"{said[0]}.{said[1]}", *(_plain(part) for part in parts))


def parse_described(text: str, address: str, *, crc: bool = False) -> Described:
    """Read the answer to a command for metadata: `a,name,unit[,...];`."""
    said = _said(without_crc(text) if crc else text, address)
    if not (said.startswith(",") and said.endswith(";")):
        raise FrameError("not fields between commas and a semicolon")
    name, *rest = (_plain(part) for part in said[1:-1].split(","))
    if not rest:
        raise FrameError("a name without a unit")
    return Described(name, rest[0], tuple(rest[1:]))


def write_number(value: float, decimals: int) -> str:
    """Write a finite number as a sensor does; decimals that seven digits cannot hold are left."""
    whole = len(str(int(abs(value))))
    if whole > _DIGITS_MOST:
        raise ValueError(f"{value} has more than {_DIGITS_MOST} digits")
    return f"{value:+.{min(decimals, _DIGITS_MOST - whole)}f}"


def pages(numbers: Sequence[str], most: int = PAGE_MOST) -> list[str]:
    """Lay values out for D0, D1, ...: as many on each as fit, none split."""
    laid = [""]
    for number in numbers:
        if len(laid[-1]) + len(number) > most:
            laid.append("")
        laid[-1] += number
    return laid


def _said(text: str, address: str) -> str:
    if not text.startswith(address):
        raise FrameError(f"does not start with the address {address}")
    return text[len(address) :]


def _plain(field: str) -> str:
    """A field without padding; what is not printable is shown as a question mark."""
    return "".join(one if one.isprintable() else "?" for one in field).strip()
