"""What a Bluetooth LE device says of its own values: UUIDs, presentation formats, SIG units. Pure.

Source of the numbers: Bluetooth SIG, Assigned Numbers (units, characteristics, format types) and
GATT Specification Supplement. The list has no siemens per metre, no pH, no salinity and no
millivolt, so a device can describe those in part only; a profile says the rest.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from acquire.errors import FrameError
from acquire.quantities import Quantity
from drivers.codecs.numbers import BY_CODE, BY_NAME, NumberFormat

__all__ = [
    "SIG_UNITS",
    "STANDARD",
    "Presentation",
    "SigUnit",
    "Standard",
    "described_name",
    "described_unit",
    "description_text",
    "read_presentation",
    "short_uuid",
    "uuid_text",
]

_BASE = "-0000-1000-8000-00805f9b34fb"
_UUID = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_SHORT = re.compile(r"(?:0x)?([0-9a-f]{4}|[0-9a-f]{8})")
_SIG_NAMESPACE = 1


def uuid_text(said: str | int) -> str:
    """Give the 128-bit form, lower case, of a UUID in any form; ValueError when it is none."""
    text = f"{said:04x}" if isinstance(said, int) else said.strip().lower()
    short = _SHORT.fullmatch(text)
    if short:
        return short[1].rjust(8, "0") + _BASE
    if _UUID.fullmatch(text):
        return text
    raise ValueError("a UUID has 4, 8 or 32 hexadecimal digits")


def short_uuid(uuid: str) -> str:
    """Give the four digits of a UUID of the SIG, any other as it is."""
    if uuid.startswith("0000") and uuid.endswith(_BASE):
        return uuid[4:8].upper()
    return uuid


@dataclass(frozen=True, slots=True)
class Presentation:
    """Descriptor 0x2904: value in the unit = number * 10^exponent, for integers."""

    format: NumberFormat
    exponent: int
    unit: int
    namespace: int = _SIG_NAMESPACE
    description: int = 0
    """In the SIG's name space: which of several alike, 0 when that is not said."""

    @property
    def factor(self) -> float:
        """What the number is multiplied with; the exponent counts for integers only."""
        return 10.0**self.exponent if self.format.is_integer else 1.0


def read_presentation(data: bytes) -> Presentation:
    """Read the seven bytes of descriptor 0x2904; FrameError when they are none."""
    if len(data) != 7:
        raise FrameError(f"a presentation format has 7 bytes, not {len(data)}", used=len(data))
    code, exponent, unit, namespace, description = struct.unpack("<BbHBH", data)
    if code not in BY_CODE:
        raise FrameError(f"presentation format 0x{code:02X} is no number", used=len(data))
    return Presentation(BY_CODE[code], exponent, unit, namespace, description)


def description_text(data: bytes) -> str:
    """Give the text of descriptor 0x2901, printable and bounded, whatever the bytes are."""
    text = data[:200].decode("utf-8", "replace").replace("\0", "").strip()
    return "".join(one if one.isprintable() else "?" for one in text)[:80]


@dataclass(frozen=True, slots=True)
class SigUnit:
    """What a unit number of the SIG is here."""

    name: str
    quantity: str = ""
    """The quantity that is meant where the device says nothing else; empty: it could be any."""
    spoken: str | None = None
    """The unit as `acquire.quantities` reads it; None when the number alone does not say it."""
    factor: float = 1.0
    """What a value is multiplied with to be in `spoken`."""


SIG_UNITS: Mapping[int, SigUnit] = MappingProxyType(
    {
        0x2700: SigUnit("unitless"),
        0x2705: SigUnit("kelvin", "temperature", "K"),
        0x2715: SigUnit("kilogram per cubic metre (density)", "specific_gravity", "1", 1e-3),
        0x271B: SigUnit("kilogram per cubic metre (mass concentration)", "tds", "g/L"),
        0x2728: SigUnit("volt", "orp", "V"),
        0x272B: SigUnit("siemens", "conductivity"),
        0x272F: SigUnit("degree Celsius", "temperature", "Cel"),
        0x27AC: SigUnit("degree Fahrenheit", "temperature", "degF"),
        0x27AD: SigUnit("per cent", "", "%"),
        0x27AE: SigUnit("per mille", "salinity", "‰"),
        0x27B1: SigUnit("milligram per decilitre", "tds", "mg/L", 10.0),
        0x27C4: SigUnit("parts per million", "tds", "ppm"),
        0x27C5: SigUnit("parts per billion", "tds", "ppm", 1e-3),
    }
)
"""Those that a water probe may use. The density of pure water is taken as 1000 kg/m³, which is how
such meters show specific gravity (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Standard:
    """A characteristic whose bytes the SIG has laid down."""

    quantity: str
    format: NumberFormat
    factor: float
    unit: str
    sentinel: int | None = None


STANDARD: Mapping[str, Standard] = MappingProxyType(
    {
        uuid_text(0x2A6E): Standard("temperature", BY_NAME["sint16"], 0.01, "Cel", 0x8000),
        uuid_text(0x2B0D): Standard("temperature", BY_NAME["sint8"], 0.5, "Cel", 0x7F),
        uuid_text(0x2A19): Standard("battery", BY_NAME["uint8"], 1.0, "%"),
    }
)
"""Temperature, Temperature 8 and Battery Level, by 128-bit UUID."""

# How the trade names the quantities, in the order they are looked for.
_WORDS: tuple[tuple[str, str], ...] = (
    (r"specific[ _-]?gravity|s\.?g\.?", "specific_gravity"),
    (r"salinity|sal(?:t)?", "salinity"),
    (r"tds|(?:total )?dissolved solids", "tds"),
    (r"conductivity|conductance|ec(?:25)?|cond\.?", "conductivity"),
    (r"orp|redox(?: potential)?|oxidation[ -]reduction potential", "orp"),
    (r"ph", "ph"),
    (r"(?:water )?temp(?:erature|\.)?", "temperature"),
)
_NAMED = [(re.compile(rf"(?<![a-z])(?:{words})(?![a-z])"), name) for words, name in _WORDS]
_UNIT_WORD = re.compile(r"[^\s,;:()\[\]@=]+")
_PER_LENGTH = re.compile(r"/\s?(cm|m)\b")


def described_name(text: str, quantities: Mapping[str, Quantity]) -> str:
    """Give the quantity a description names first, empty when it names none."""
    plain = text.lower()
    patterns = [*_NAMED]
    for name, quantity in quantities.items():
        own = {name, name.replace("_", " "), quantity.label.lower()}
        words = "|".join(re.escape(word) for word in own)
        patterns.append((re.compile(rf"(?<![a-z])(?:{words})(?![a-z])"), name))
    found = [(m.start(), name) for pattern, name in patterns if (m := pattern.search(plain))]
    known = [one for one in found if one[1] in quantities]
    return min(known, key=lambda one: one[0])[1] if known else ""


def described_unit(text: str, unit: SigUnit | None, quantity: Quantity) -> tuple[str, float] | None:
    """Give unit and factor from the number of the SIG and, where that is not enough, the text.

    None when neither says it. A value in siemens is per centimetre or per metre as the text says.
    """
    if unit is not None and unit.spoken is not None:
        return (unit.spoken, unit.factor) if quantity.conversion_from(unit.spoken) else None
    if unit is not None and unit.quantity == "conductivity":
        per = _PER_LENGTH.search(text.lower())
        return None if per is None else ("S/m", 100.0 if per[1] == "cm" else 1.0)
    words = [word for word in _UNIT_WORD.findall(text) if quantity.conversion_from(word)]
    if words and words[-1].lower() not in {quantity.label.lower(), quantity.name}:
        return words[-1], 1.0
    return ("", 1.0) if "" in quantity.spoken else None
