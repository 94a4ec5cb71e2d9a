"""Register words to numbers and back, and which registers to ask for together. Pure.

A Modbus register is a word of 16 bits. The Modbus Application Protocol sends a word's high byte
first and says nothing of numbers longer than a word, so makers put them together in four ways.
They are written here as the order in which the bytes A (highest) to D (lowest) of a number arrive:
``ABCD`` big-endian, ``CDAB`` words swapped, ``BADC`` bytes swapped, ``DCBA`` little-endian.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from acquire.errors import FrameError
from acquire.readings import Flag
from drivers.codecs.numbers import shortest

__all__ = ["MOST_REGISTERS", "Block", "Kind", "Layout", "Order", "Place", "plan", "split"]

Order = Literal["ABCD", "CDAB", "BADC", "DCBA"]
Kind = Literal["int16", "uint16", "int32", "uint32", "float32"]

MOST_REGISTERS = 125
"""Registers in one request: their bytes must fit into a frame of 256."""

_CODES: dict[Kind, str] = {
    "int16": ">h",
    "uint16": ">H",
    "int32": ">i",
    "uint32": ">I",
    "float32": ">f",
}
_BYTES_SWAPPED = ("BADC", "DCBA")
_WORDS_SWAPPED = ("CDAB", "DCBA")


@dataclass(frozen=True, slots=True)
class Layout:
    """How a number lies in registers. With one register only the order of its bytes counts."""

    kind: Kind
    order: Order = "ABCD"

    @property
    def words(self) -> int:
        """How many registers it takes."""
        return struct.calcsize(_CODES[self.kind]) // 2

    def decode(self, words: Sequence[int]) -> float:
        """Give the number; integers stay integers. FrameError when these are not its registers."""
        wire = ("<" if self.order in _BYTES_SWAPPED else ">") + "H" * self.words
        ordered = words[::-1] if self.order in _WORDS_SWAPPED else words
        try:
            number: float = struct.unpack(_CODES[self.kind], struct.pack(wire, *ordered))[0]
        except struct.error as error:
            raise FrameError(f"{len(words)} registers are no {self.kind}: {error}") from error
        return shortest(number) if self.kind == "float32" else number

    def encode(self, number: float) -> tuple[int, ...]:
        """Give the registers of a number; ValueError when it does not fit the type."""
        wire = ("<" if self.order in _BYTES_SWAPPED else ">") + "H" * self.words
        whole = number if self.kind == "float32" else _whole(number)
        try:
            words: tuple[int, ...] = struct.unpack(wire, struct.pack(_CODES[self.kind], whole))
        except (struct.error, OverflowError) as error:
            raise ValueError(f"{number} is no {self.kind}") from error
        return words[::-1] if self.order in _WORDS_SWAPPED else words


def _whole(number: float) -> int:
    if not math.isfinite(number) or number != int(number):
        raise ValueError(f"{number} is no whole number")
    return int(number)


@dataclass(frozen=True, slots=True)
class Place:
    """Where one quantity is found, and which numbers there mean that there is none.

    `not_a_reading` and `over_range` hold numbers as `Layout.decode` gives them, before any scale. A
    float that is no number is never a reading, an infinite one is over range.
    """

    name: str
    function: int
    """3 reads holding registers, 4 input registers."""
    address: int
    """As it goes over the wire, from 0: a manual's 40001 is function 3, address 0."""
    layout: Layout
    not_a_reading: frozenset[float] = frozenset()
    over_range: frozenset[float] = frozenset()

    @property
    def end(self) -> int:
        """The address behind its last register."""
        return self.address + self.layout.words

    def read(self, words: Sequence[int]) -> float | Flag:
        """Give the number in its registers, or why there is none."""
        number = self.layout.decode(words)
        if number in self.not_a_reading or math.isnan(number):
            return Flag.ERROR
        if number in self.over_range or math.isinf(number):
            return Flag.OVER_RANGE
        return number


@dataclass(frozen=True, slots=True)
class Block:
    """Registers read by one request, and what is found in them."""

    function: int
    address: int
    count: int
    places: tuple[Place, ...]

    def words(self, place: Place, registers: Sequence[int]) -> Sequence[int]:
        """Cut the registers of one place out of those of the block."""
        first = place.address - self.address
        return registers[first : first + place.layout.words]


def plan(
    places: Iterable[Place], *, most_registers: int = MOST_REGISTERS, most_gap: int = MOST_REGISTERS
) -> tuple[Block, ...]:
    """Give the fewest requests that read all places.

    A request takes at most `most_registers` and reads over at most `most_gap` registers that nobody
    asked for. Starting each request at the first register not yet covered and filling it up is the
    fewest possible: any other cover can be moved to the right, request by request, into this one.
    """
    blocks: list[Block] = []
    waiting: list[Place] = []
    end = 0
    for place in sorted(places, key=lambda one: (one.function, one.address, one.end)):
        if waiting and (
            place.function != waiting[0].function
            or place.end - waiting[0].address > most_registers
            or place.address - end > most_gap
        ):
            blocks.append(_block(waiting))
            waiting = []
        end = max(end, place.end) if waiting else place.end
        waiting.append(place)
    if waiting:
        blocks.append(_block(waiting))
    return tuple(blocks)


def split(block: Block) -> tuple[Block, ...]:
    """Give the smaller requests to try when a meter refuses this one; nothing for a single place.

    First without the registers nobody asked for, which the meter may not have; then by halves,
    which finds both a limit on the length of requests and the one wrong register.
    """
    if len(block.places) < 2:
        return ()
    pieces = plan(block.places, most_gap=0)
    if len(pieces) > 1:
        return pieces
    middle = len(block.places) // 2
    return _block(block.places[:middle]), _block(block.places[middle:])


def _block(places: Sequence[Place]) -> Block:
    first = places[0]
    end = max(place.end for place in places)
    return Block(first.function, first.address, end - first.address, tuple(places))
