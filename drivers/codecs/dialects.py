"""Encoders of the three text dialects that the shipped profiles read.

They are what a simulated meter says. Values come in the units of `acquire.quantities` (salinity in
g/kg, temperature in °C) and are rounded to the display of the meter: pH 0.01, ORP 1 mV,
conductivity 1 µS/cm (10 from 2000 on), TDS 1 mg/L, salinity 0.01 %, specific gravity 0.001,
temperature 0.1 °C. None stands for no reading and is shown as dashes; a word is shown as it is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from drivers.codecs.checksum import xor8

__all__ = [
    "ERROR",
    "NO_READING",
    "OVER_RANGE",
    "POLL_COMMAND",
    "POLL_REFUSED",
    "encode_columns",
    "encode_labelled",
    "encode_polled",
]

NO_READING = "---"
OVER_RANGE = "OR"
ERROR = "Err"

POLL_COMMAND = b"READ\r\n"
"""What the host sends to the polled meter."""
POLL_REFUSED = b"?\r\n"
"""What the polled meter answers to anything else."""

_ORDER = ("ph", "orp", "conductivity", "tds", "salinity", "specific_gravity", "temperature")
_DIGITS = {"ph": 2, "salinity": 2, "specific_gravity": 3, "temperature": 1}
_LABELLED = {
    "ph": ("pH", " pH"),
    "orp": ("ORP", " mV"),
    "conductivity": ("EC", " uS/cm"),
    "tds": ("TDS", " ppm"),
    "salinity": ("SAL", " %"),
    "specific_gravity": ("SG", ""),
    "temperature": ("T", " C"),
}
_POLLED = {
    "ph": "PH",
    "orp": "MV",
    "conductivity": "EC",
    "tds": "TDS",
    "salinity": "SAL",
    "specific_gravity": "SG",
    "temperature": "TC",
}


def encode_labelled(values: Mapping[str, float | str | None]) -> bytes:
    """Write one line of `label value unit` pairs, CR LF; quantities not given are left out.

    Conductivity from 2000 µS/cm on is written in mS/cm with two decimals.
    """
    return (", ".join(_pair(name, values[name]) for name in _known(values)) + "\r\n").encode()


def encode_columns(values: Mapping[str, float | str | None]) -> bytes:
    """Write one line of seven columns with decimal commas, LF; those not given show dashes."""
    _known(values)  # a misspelt quantity would go unnoticed: its column shows dashes
    return (";".join(_cell(name, values.get(name)) for name in _ORDER) + "\n").encode()


def encode_polled(values: Mapping[str, float | str | None]) -> bytes:
    """Write the answer to `POLL_COMMAND`: `LABEL=value` pairs, `*`, exclusive or, CR LF."""
    said = " ".join(f"{_POLLED[name]}={_shown(name, values[name])}" for name in _known(values))
    return f"{said}*{xor8(said.encode())}\r\n".encode()


def _known(values: Mapping[str, float | str | None]) -> list[str]:
    strange = sorted(set(values) - set(_ORDER))
    if strange:
        raise ValueError(f"the dialects have no word for {', '.join(strange)}")
    return [name for name in _ORDER if name in values]


def _pair(name: str, value: float | str | None) -> str:
    label, unit = _LABELLED[name]
    shown = _shown(name, value)
    if name == "conductivity" and not isinstance(value, str | None) and float(shown) >= 2000:
        return f"{label} {float(shown) / 1000:.2f} mS/cm"
    return f"{label} {shown}{unit}"


def _cell(name: str, value: float | str | None) -> str:
    shown = _shown(name, value)
    return shown if isinstance(value, str) else shown.replace(".", ",")


def _shown(name: str, value: float | str | None) -> str:
    if value is None:
        return NO_READING
    if isinstance(value, str):
        return value
    if not math.isfinite(value):
        raise ValueError(f"{name} has no display for {value}")
    if name == "salinity":
        value /= 10.0  # g/kg to per cent
    if name == "conductivity" and round(value) >= 2000:
        value = round(value, -1)
    text = f"{value:.{_DIGITS.get(name, 0)}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text
