"""Where the numbers of a meter stand in a block of bytes, and what they say. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from acquire.errors import FrameError
from acquire.readings import Flag
from drivers.codecs.numbers import ByteOrder, NumberFormat, decode_number

__all__ = ["Layout", "Place", "Values"]

Turn = Callable[[float], tuple[float, Flag | None]]
"""From the number as sent to the value in the quantity's unit."""


@dataclass(frozen=True, slots=True)
class Place:
    """One number: which bytes, how to read them, what they become."""

    turn: Turn
    format: NumberFormat
    at: int = 0
    order: ByteOrder = "little"
    not_a_reading: frozenset[int] = frozenset()
    """Bit patterns that mean the meter has no number."""
    over_range: frozenset[int] = frozenset()

    @property
    def end(self) -> int:
        return self.at + self.format.size

    def read(self, data: bytes) -> float | Flag:
        """Give the number as sent, or why there is none; FrameError when the bytes are too few."""
        if len(data) < self.end:
            raise FrameError(f"{len(data)} bytes, at least {self.end} are needed", used=len(data))
        mine = data[self.at : self.end]
        if self.over_range:
            pattern = int.from_bytes(mine, self.order) & ((1 << self.format.bits) - 1)
            if pattern in self.over_range:
                return Flag.OVER_RANGE
        return decode_number(mine, self.format, self.order, sentinels=self.not_a_reading)


@dataclass(slots=True)
class Values:
    """What a block of bytes says, as a `Reading` wants it."""

    values: dict[str, float] = field(default_factory=dict)
    flags: dict[str, Flag] = field(default_factory=dict)

    def put(self, name: str, turn: Turn, number: float | Flag) -> None:
        """Note a number as sent; one too large for any value becomes an error, never infinity."""
        if isinstance(number, Flag):
            self.flags[name] = number
            return
        value, flag = turn(number)
        if not math.isfinite(value):
            self.flags[name] = Flag.ERROR
            return
        # 214 tenths are 21.4, not 21.400000000000002: no meter has more than twelve digits.
        self.values[name] = float(f"{value:.12g}")
        if flag is not None:
            self.flags[name] = flag

    def __bool__(self) -> bool:
        return bool(self.values or self.flags)


@dataclass(frozen=True, slots=True)
class Layout:
    """All the numbers of one block."""

    places: Mapping[str, Place]
    length: int | None = None
    """Its whole length where that is known: any other is no frame."""

    def read(self, data: bytes) -> Values:
        """Read every number; FrameError when the length is wrong."""
        if self.length is not None and len(data) != self.length:
            raise FrameError(f"{len(data)} bytes, not {self.length}", used=len(data))
        said = Values()
        for name, place in self.places.items():
            said.put(name, place.turn, place.read(data))
        return said
