"""The digits of the simulated meter: derived quantities, steps of the display, words for no number.

Values are in the units of `acquire.quantities`, as the encoders in `drivers.codecs.dialects`
want them.
"""

from __future__ import annotations

from collections.abc import Mapping

from drivers.codecs.dialects import OVER_RANGE

__all__ = ["QUANTITIES", "Shown", "derive", "quantise"]

Shown = dict[str, float | str | None]
"""What each quantity's place on the display holds: a number, None for dashes, a word."""

QUANTITIES = (
    "ph",
    "orp",
    "conductivity",
    "tds",
    "salinity",
    "specific_gravity",
    "temperature",
)

_DIGITS = {
    "ph": 2,
    "orp": 0,
    "conductivity": 0,
    "tds": 0,
    "salinity": 1,  # 0.01 % is 0.1 g/kg
    "specific_gravity": 3,
    "temperature": 1,
}
_RANGE = {
    "ph": (0.0, 14.0),
    "orp": (-1999.0, 1999.0),
    "conductivity": (0.0, 19_990.0),
    "tds": (0.0, 9_995.0),
    "salinity": (0.0, 10.0),
    "specific_gravity": (0.9, 1.1),
    "temperature": (0.0, 60.0),
}


def derive(measured: Mapping[str, float]) -> dict[str, float]:
    """Add what such a meter computes from conductivity, by its own simple rules.

    TDS in mg/L = 0.5 · EC25 (the NaCl-type convention); salinity in g/kg takes the same as NaCl;
    specific gravity rises 0.0007 for each g/kg (a 1 % NaCl solution: about 1.007, from memory).
    """
    values = dict(measured)
    values["conductivity"] = max(0.0, values["conductivity"])
    values["tds"] = 0.5 * values["conductivity"]
    values["salinity"] = values["tds"] / 1000.0
    values["specific_gravity"] = 1.0 + 0.0007 * values["salinity"]
    return values


def quantise(values: Mapping[str, float]) -> Shown:
    """Round to the steps of the display; over range becomes the meter's word."""
    return {name: _step(name, values[name]) for name in QUANTITIES if name in values}


def _step(name: str, value: float) -> float | str:
    digits = _DIGITS[name]
    if name == "conductivity" and round(value) >= 2000:
        digits = -1  # the range of 0.01 mS/cm begins here
    low, high = _RANGE[name]
    rounded = round(value, digits)
    return rounded if low <= rounded <= high else OVER_RANGE
