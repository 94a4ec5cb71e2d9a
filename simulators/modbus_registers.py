"""Where the simulated meters keep their values: register maps of our own invention.

The shipped profile of the same name reads each.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from drivers.codecs.dialects import OVER_RANGE
from drivers.codecs.registers import Kind, Layout, Order
from simulators.display import Shown

__all__ = ["REGISTER_MAPS", "Register", "RegisterMap"]


@dataclass(frozen=True, slots=True)
class Register:
    """Where the meter keeps one quantity: number there = value in the quantity's unit * factor."""

    address: int
    kind: Kind
    factor: float
    not_a_reading: float
    over_range: float


@dataclass(frozen=True, slots=True)
class RegisterMap:
    """All registers of one kind of meter; the profile of the same name reads them."""

    name: str
    baud: int
    function: int
    order: Order
    registers: Mapping[str, Register]
    has_holes: bool = False
    """Whether the meter refuses to read across addresses that hold nothing."""

    def words(self, shown: Shown) -> dict[int, int]:
        """Give address to word for what a display shows."""
        words: dict[int, int] = {}
        for name, place in self.registers.items():
            said = shown.get(name)
            if isinstance(said, str | None):
                number = place.over_range if said == OVER_RANGE else place.not_a_reading
            elif place.kind == "float32":
                number = said * place.factor
            else:
                number = round(said * place.factor)
            encoded = Layout(place.kind, self.order).encode(number)
            words |= {place.address + step: word for step, word in enumerate(encoded)}
        return words


def _scaled(address: int, kind: Kind, factor: float) -> Register:
    highest = {"int16": 0x7FFF, "uint16": 0xFFFF, "uint32": 0xFFFFFFFF}[kind]
    return Register(address, kind, factor, highest, highest - 1)


def _float(address: int) -> Register:
    return Register(address, "float32", 1.0, math.nan, math.inf)


REGISTER_MAPS: Mapping[str, RegisterMap] = MappingProxyType(
    {
        "scaled": RegisterMap(
            "scaled",
            9600,
            4,
            "ABCD",
            {
                "ph": _scaled(0, "uint16", 100.0),
                "orp": _scaled(1, "int16", 1.0),
                "conductivity": _scaled(2, "uint32", 1.0),
                "temperature": _scaled(4, "int16", 10.0),
                "tds": _scaled(8, "uint16", 1.0),
                "salinity": _scaled(9, "uint16", 10.0),  # g/kg to hundredths of a per cent
                "specific_gravity": _scaled(10, "uint16", 1000.0),
            },
        ),
        "floats": RegisterMap(
            "floats",
            19200,
            3,
            "CDAB",
            {
                "ph": _float(100),
                "orp": _float(102),
                "conductivity": _float(104),
                "temperature": _float(106),
                "tds": _float(108),
                "salinity": _float(110),
                "specific_gravity": _float(112),
            },
        ),
    }
)
