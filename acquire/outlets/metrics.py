"""Metrics as OpenMetrics text 1.0.0 (github.com/prometheus/OpenMetrics): what is counted, as text.

A value there is none of is left out: NaN does not mean missing. Values of waters are given in base
units, with the unit as the end of the name; pH has none.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

__all__ = ["CONTENT_TYPE", "Family", "render", "water_families"]

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"

_UNITS = {
    "S/m": "siemens_per_metre",
    "V": "volts",
    "Cel": "celsius",
    "kg/m3": "kilograms_per_cubic_metre",
    "/": "ratio",
    "pH": "",
}
"""Primary units of SenML as ends of names."""


@dataclass(frozen=True, slots=True)
class Family:
    """One metric with all its samples: labels to value."""

    name: str
    """Without a counter's `_total`."""
    kind: str
    help: str
    samples: Mapping[tuple[tuple[str, str], ...], float] = field(default_factory=dict)
    unit: str = ""


def render(families: Iterable[Family]) -> str:
    """Write the families, each at most once, ending as the standard asks."""
    lines = [line for family in families if family.samples for line in _lines(family)]
    return "\n".join([*lines, "# EOF"]) + "\n"


def water_families(
    newest: Mapping[tuple[str, str], float], units: Mapping[str, tuple[str, float]]
) -> list[Family]:
    """Give a gauge a quantity from (meter, quantity) to value in the quantity's unit.

    `units` gives a quantity's primary SenML unit and the factor into it.
    """
    found: dict[str, dict[tuple[tuple[str, str], ...], float]] = {}
    for (meter, quantity), value in newest.items():
        if quantity in units:
            scaled = float(f"{value * units[quantity][1]:.12g}")
            found.setdefault(quantity, {})[("meter", meter),] = scaled
    families = []
    for quantity, samples in found.items():
        unit = _UNITS.get(units[quantity][0], "")
        name = f"ouzel_water_{_word(quantity)}" + (f"_{unit}" if unit else "")
        families.append(Family(name, "gauge", f"Newest {quantity} read.", samples, unit))
    return families


def _lines(family: Family) -> Iterator[str]:
    yield f"# TYPE {family.name} {family.kind}"
    if family.unit:
        yield f"# UNIT {family.name} {family.unit}"
    yield f"# HELP {family.name} {_escaped(family.help)}"
    name = family.name + ("_total" if family.kind == "counter" else "")
    for labels, value in family.samples.items():
        inside = ",".join(f'{key}="{_escaped(said)}"' for key, said in labels)
        yield f"{name}{{{inside}}} {_number(value)}" if inside else f"{name} {_number(value)}"


def _number(value: float) -> str:
    return str(int(value)) if isinstance(value, int) else repr(float(value))


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')


def _word(text: str) -> str:
    return "".join(c if c.isascii() and (c.isalnum() or c == "_") else "_" for c in text)
