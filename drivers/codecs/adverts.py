"""What a probe broadcasts without a connection: the open BTHome format, and what is news. Pure.

BTHome version 2 is an open format for service data under the UUID 0xFCD2: one byte of device
information, then objects of one identifying byte and a little-endian value, their identifiers
rising. Encrypted, the objects are AES-CCM with a 16-byte key and a check of 4 bytes, and a counter
of 4 bytes follows them. The layout is written from memory; sizes and factors were held against the
table of an open-source reader of the format (bthome-ble 3.25.0).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from acquire.errors import FrameError
from acquire.readings import Flag
from drivers.codecs.numbers import BY_NAME, NumberFormat, decode_number, encode_number

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.ciphers.aead import AESCCM

__all__ = ["BTHOME_UUID", "OBJECTS", "Broadcast", "News", "read_bthome", "write_bthome"]

BTHOME_UUID = 0xFCD2
_VERSION = 2
_ENCRYPTED = 0x01
_CHECK = 4
_COUNTER = 4
_TEXT = {0x53, 0x54}  # text and raw bytes: a length, then as many bytes
_PACKET_ID = 0x00

_ROWS = {
    "uint8 1": (0x00, 0x01, 0x09, 0x0F, 0x10, 0x11, *range(0x15, 0x30), 0x3A, 0x60),
    "uint8 0.1": (0x46,),
    "sint8 1": (0x57, 0x59),
    "sint8 0.35": (0x58,),
    "uint16 1": (0x0D, 0x0E, 0x12, 0x13, 0x3C, 0x3D, 0x40, 0x48, 0x56, 0x61, 0xF0),
    "uint16 0.1": (0x41, 0x47, 0x4A, 0x5F),
    "uint16 0.01": (0x03, 0x06, 0x07, 0x14, 0x44, 0x5E),
    "uint16 0.001": (0x0C, 0x43, 0x49, 0x51, 0x52),
    "sint16 1": (0x5A,),
    "sint16 0.1": (0x3F, 0x45),
    "sint16 0.01": (0x02, 0x08),
    "sint16 0.001": (0x5D,),
    "uint24 1": (0xF2,),
    "uint24 0.01": (0x04, 0x05, 0x0B),
    "uint24 0.001": (0x0A, 0x42, 0x4B),
    "uint32 1": (0x3E, 0x50, 0xF1),
    "uint32 0.001": (0x4C, 0x4D, 0x4E, 0x4F, 0x55),
    "sint32 1": (0x5B,),
    "sint32 0.01": (0x5C,),
    "sint32 0.000001": (0x62, 0x63),
}


def _objects() -> dict[int, tuple[NumberFormat, float]]:
    rows = ((row.split(), numbers) for row, numbers in _ROWS.items())
    return {n: (BY_NAME[name], float(factor)) for (name, factor), ns in rows for n in ns}


OBJECTS: Mapping[int, tuple[NumberFormat, float]] = MappingProxyType(_objects())
"""Format and factor by object identifier. Without its row an object's length is not known."""


@dataclass(frozen=True, slots=True)
class Broadcast:
    """The objects of one advert, in their order."""

    objects: Sequence[tuple[int, float]]
    """Identifier and value in the unit of the format."""
    packet_id: int | None = None
    counter: int | None = None
    """Of an encrypted one: it rises with every packet."""

    def find(self, number: int, nth: int = 1) -> float | None:
        """Give the n-th value with this identifier, None when there are fewer."""
        values = [value for one, value in self.objects if one == number]
        return values[nth - 1] if nth <= len(values) else None


def read_bthome(data: bytes, *, address: bytes = b"", key: bytes = b"") -> Broadcast:
    """Read the service data of one advert; FrameError when it is none, or the key does not fit.

    `address` is the six bytes of the device's address in the order they are written, which an
    encrypted advert is bound to. Behind an object of unknown length nothing more is read.
    """
    if not data:
        raise FrameError("an empty advert", used=1)
    information = data[0]
    if information >> 5 != _VERSION:
        raise FrameError(f"BTHome version {information >> 5}, not {_VERSION}", used=len(data))
    body, counter = data[1:], None
    if information & _ENCRYPTED:
        body, counter = _decrypt(data, address, key)
    elif key:
        raise FrameError("not encrypted, though there is a key", used=len(data))
    objects = tuple(_walk(body))
    packet_id = next((int(value) for number, value in objects if number == _PACKET_ID), None)
    return Broadcast(objects, packet_id, counter)


def write_bthome(
    objects: Sequence[tuple[int, float]],
    *,
    address: bytes = b"",
    key: bytes = b"",
    counter: int = 0,
) -> bytes:
    """Write what `read_bthome` reads; encrypted when there is a key."""
    body = bytearray()
    for number, value in objects:
        kind, factor = OBJECTS[number]
        body += bytes((number,)) + encode_number(value / factor, kind)
    information = _VERSION << 5 | (_ENCRYPTED if key else 0)
    if not key:
        return bytes((information,)) + bytes(body)
    tail = counter.to_bytes(_COUNTER, "little")
    sealed = _cipher(key).encrypt(_nonce(address, information, tail), bytes(body), None)
    return bytes((information,)) + sealed[:-_CHECK] + tail + sealed[-_CHECK:]


def _walk(body: bytes) -> list[tuple[int, float]]:
    found = []
    at = 0
    while at < len(body):
        number = body[at]
        at += 1
        if number in _TEXT:
            at += 1 + (body[at] if at < len(body) else 0)
            if at > len(body):
                raise FrameError("an object breaks off", used=len(body) + 1)
            continue
        if number not in OBJECTS:
            break
        kind, factor = OBJECTS[number]
        value = decode_number(body[at : at + kind.size], kind, sentinels=frozenset())
        at += kind.size
        if not isinstance(value, Flag):  # whole numbers only: there are no flags in this format
            found.append((number, value * factor))
    return found


def _decrypt(data: bytes, address: bytes, key: bytes) -> tuple[bytes, int]:
    if not key:
        raise FrameError("encrypted, and there is no key", used=len(data))
    if len(data) < 1 + _COUNTER + _CHECK:
        raise FrameError("too short for an encrypted advert", used=len(data))
    from cryptography.exceptions import InvalidTag  # noqa: PLC0415  (loads only with a key)

    tail, check = data[-_COUNTER - _CHECK : -_CHECK], data[-_CHECK:]
    sealed = data[1 : -_COUNTER - _CHECK] + check
    try:
        body = _cipher(key).decrypt(_nonce(address, data[0], tail), sealed, None)
    except (InvalidTag, ValueError):
        raise FrameError("the key does not fit this advert", used=len(data)) from None
    return body, int.from_bytes(tail, "little")


def _nonce(address: bytes, information: int, counter: bytes) -> bytes:
    """Address, UUID, device information, counter: thirteen bytes."""
    return address + BTHOME_UUID.to_bytes(2, "little") + bytes((information,)) + counter


def _cipher(key: bytes) -> AESCCM:
    from cryptography.hazmat.primitives.ciphers.aead import AESCCM  # noqa: PLC0415

    return AESCCM(key, tag_length=_CHECK)


class News:
    """Tells a new packet from one heard again: the same one is sent, and told of, many times.

    A packet with a number is new when its number is. One without is new when its bytes are, or when
    the same bytes are still on the air after `repeat_s`: then the probe says the same once more.
    """

    def __init__(self, repeat_s: float) -> None:
        self._repeat_s = repeat_s
        self._number: int | None = None
        self._data: bytes | None = None
        self._told_s = 0.0

    def is_new(self, data: bytes, number: int | None, t_s: float, *, heard: bool) -> bool:
        """`heard`: off the air just now, not told again from memory."""
        if number is not None:
            fresh = number != self._number
        elif data != self._data:
            fresh = True
        else:
            fresh = heard and t_s - self._told_s >= self._repeat_s
        if fresh:
            self._number, self._data, self._told_s = number, data, t_s
        return fresh
