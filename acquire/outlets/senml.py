"""SenML (RFC 8428): packs of records as JSON or CBOR. Pure.

What ouzel sends is resolved as far as the RFC allows to a receiver: one base name and one base time
a pack, primary units only (RFC 8428 section 12.1 and RFC 8798 section 3), absolute times, and no
value where there is none. SenML has no field for quality: a second record named after the first
carries it.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from acquire.quantities import Quantity

__all__ = ["CBOR", "JSON", "MEDIA_TYPES", "Record", "encode", "fit", "measured", "pack"]

JSON = "senml+json"
CBOR = "senml+cbor"
MEDIA_TYPES = {JSON: "application/senml+json", CBOR: "application/senml+cbor"}
"""Content types by the name of the form (RFC 8428 section 12.3)."""

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
_UNFIT = re.compile(r"[^A-Za-z0-9\-:./_]")
_ABSOLUTE_S = 2**28
"""Times below this many seconds mean "so long before or after now" (RFC 8428 section 4.5.3)."""
_LABELS = {
    "bver": -1,
    "bn": -2,
    "bt": -3,
    "bu": -4,
    "bv": -5,
    "bs": -6,
    "n": 0,
    "u": 1,
    "v": 2,
    "vs": 3,
    "vb": 4,
    "s": 5,
    "t": 6,
    "ut": 7,
    "vd": 8,
}
"""Labels of the fields in CBOR (RFC 8428 table 4)."""


@dataclass(frozen=True, slots=True)
class Record:
    """One named value; `name` is added to the pack's base name."""

    name: str
    value: float | str | bool
    unit: str = ""
    """A primary unit, or empty."""


def measured(quantity: Quantity, value: float, name: str | None = None) -> Record | None:
    """Give a value of a quantity in its primary unit; None when there is no finite number."""
    scaled = value * quantity.senml_factor
    if not math.isfinite(scaled):
        return None
    # The factor is a power of ten but not exact in binary: 7 digits more than any probe has.
    return Record(name or quantity.name, float(f"{scaled:.12g}"), quantity.senml_unit)


def pack(base: str, at_ms: int, records: Iterable[Record]) -> list[dict[str, Any]]:
    """Make a pack of things said at one instant (UTC milliseconds since 1970).

    `base` begins every name; it ends with what separates it from the rest (`:` or `/`).

    Raises:
        ValueError: a name the RFC does not allow, or a time it would take for a relative one.

    """
    at_s = at_ms / 1000
    if at_s < _ABSOLUTE_S:
        raise ValueError(f"a time before 1978 would be read as relative: {at_s} s; set the clock")
    rows: list[dict[str, Any]] = []
    for record in records:
        if not _NAME.fullmatch(base + record.name):
            raise ValueError(f"not a name of SenML: {base + record.name!r}")
        row: dict[str, Any] = {"n": record.name}
        if record.unit:
            row["u"] = record.unit
        row[_field(record.value)] = record.value
        rows.append(row)
    if rows:
        rows[0] = {"bn": base, "bt": int(at_s) if at_s.is_integer() else at_s, **rows[0]}
    return rows


def fit(text: str) -> str:
    """Make text fit for a part of a name: whatever the RFC does not allow becomes `_`."""
    return _UNFIT.sub("_", text)


def encode(rows: Sequence[Mapping[str, Any]], form: str = JSON) -> bytes:
    """Write a pack as JSON or, where the package cbor2 is installed, as CBOR."""
    if form == JSON:
        return json.dumps(rows, allow_nan=False, ensure_ascii=False, separators=(",", ":")).encode()
    import cbor2  # noqa: PLC0415 - an extra: whoever does not ask for CBOR need not have it

    return cbor2.dumps([{_LABELS[key]: value for key, value in row.items()} for row in rows])


def _field(value: float | str | bool) -> str:
    if isinstance(value, bool):
        return "vb"
    return "vs" if isinstance(value, str) else "v"
