"""What sensors call the quantities and units they measure, in ours.

SDI-12 advises a SHEF code (Standard Hydrometeorological Exchange Format) as a value's name and
leaves the unit free. Neither list is complete, and what is not in them is never guessed.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from acquire.errors import ConfigError
from acquire.quantities import Quantity, conversion

__all__ = ["quantity_called", "unit_called"]

# The SHEF codes are from memory, not seen in its manual: WC water conductance, WP pH, WS salinity,
# TW water temperature (WO dissolved oxygen and WT turbidity are for a table that has them).
# The other names: common practice, no source.
_NAMES: Mapping[str, str] = MappingProxyType(
    {
        "wc": "conductivity",
        "ec": "conductivity",
        "cond": "conductivity",
        "wp": "ph",
        "redox": "orp",
        "ws": "salinity",
        "sal": "salinity",
        "sg": "specific_gravity",
        "tw": "temperature",
        "temp": "temperature",
        "water temperature": "temperature",
        "wo": "dissolved_oxygen",
        "do": "dissolved_oxygen",
        "wt": "turbidity",
    }
)

# Ways to write a unit in seven-bit characters that the table of quantities does not have.
# 1 mho is 1 S, and 1 dS/m is 1 mS/cm, by definition; the spellings: common practice, no source,
# but for "degrees C", which stands in an example of SDI-12 1.4.
_UNITS: Mapping[str, str] = MappingProxyType(
    {
        "degrees c": "Cel",
        "degree c": "Cel",
        "deg c": "Cel",
        "deg. c": "Cel",
        "degrees celsius": "Cel",
        "celsius": "Cel",
        "degrees f": "degF",
        "deg f": "degF",
        "deg. f": "degF",
        "fahrenheit": "degF",
        "kelvin": "K",
        "umho/cm": "uS/cm",
        "umhos/cm": "uS/cm",
        "mmho/cm": "mS/cm",
        "mmhos/cm": "mS/cm",
        "ds/m": "mS/cm",
        "ph units": "pH",
        "ph unit": "pH",
        "standard units": "pH",
        "millivolts": "mV",
        "volts": "V",
        "percent": "%",
    }
)


def quantity_called(name: str, known: Mapping[str, Quantity]) -> Quantity | None:
    """Give the quantity a sensor calls so: by its code, or by a quantity's own name or label."""
    word = " ".join(name.casefold().split())
    for quantity in known.values():
        if word in {quantity.name, quantity.name.replace("_", " "), quantity.label.casefold()}:
            return quantity
    return known.get(_NAMES.get(word, ""))


def unit_called(unit: str, quantity: Quantity) -> str | None:
    """Give the unit in a spelling that `acquire.quantities` knows for the quantity, else None."""
    word = " ".join(unit.casefold().split())
    for spelling in (unit, _UNITS.get(word, "")):
        if spelling or not word:
            try:
                conversion(quantity, spelling)
            except ConfigError:
                continue
            return spelling
    return None
