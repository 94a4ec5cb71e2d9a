"""ORP: reference electrodes, known solutions, and the way to the hydrogen scale.

An ORP number without its reference electrode means little: Eh = reading + Eref(T), in mV against
the standard hydrogen electrode (SHE). Most hand probes hold Ag/AgCl in 3 mol/L or saturated KCl;
the profile of a meter says which.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from acquire.errors import WaterError
from acquire.water.buffers import buffer_ph
from acquire.water.electrode import nernst_slope
from acquire.water.inputs import Derived, Domain, finite
from acquire.water.tables import Table

__all__ = [
    "REFERENCES",
    "SOLUTIONS",
    "eh_of",
    "light",
    "orp_of",
    "quinhydrone",
    "quinhydrone_span",
    "reference_potential",
    "silver_chloride_standard",
    "zobell",
]

_SILVER = Domain("the temperature", "°C", 0.0, 95.0)
_ZOBELL = Domain("the temperature of ZoBell's solution", "°C", 5.0, 40.0, 0.0, 50.0)


@dataclass(frozen=True, slots=True)
class _Line:
    """A potential against temperature: value at 25 °C, mV per °C, mV per °C²."""

    at_25: float
    slope: float
    square: float
    source: str

    def at(self, temp_c: float) -> float:
        return self.at_25 + self.slope * (temp_c - 25.0) + self.square * (temp_c - 25.0) ** 2


REFERENCES: Mapping[str, Table] = {
    "ag-agcl-3m": Table(
        "Ag/AgCl in 3 mol/L KCl", "mV",
        "table of an instrument manual, with junction (207 mV at 25 °C; 210 by another convention)",
        (5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0),
        (221.0, 217.0, 214.0, 210.0, 207.0, 203.0, 200.0, 196.0), points=2, stretch_c=5.0,
    ),
    "ag-agcl-saturated": Table(
        "Ag/AgCl in saturated KCl", "mV", "USGS National Field Manual, chapter A6.5, table 6.5-2",
        (10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0),
        (214.0, 209.0, 204.0, 199.0, 194.0, 189.0, 184.0), points=2, stretch_c=10.0,
    ),
    "ag-agcl-4m": Table(
        "Ag/AgCl in 4 mol/L KCl", "mV",
        "difference of the two ZoBell tables in print: 428 - 2.2 (T-25) less 228 - 1.3 (T-25)",
        (5.0, 40.0), (218.0, 186.5), points=2, stretch_c=5.0,
    ),
    "ag-agcl-1m": Table(
        "Ag/AgCl in 1 mol/L KCl", "mV", "review of reference electrodes (0.2360 V), 25 °C only",
        (25.0,), (236.0,), points=1,
    ),
    "ag-agcl-0.1m": Table(
        "Ag/AgCl in 0.1 mol/L KCl", "mV", "review of reference electrodes (0.2895 V), 25 °C only",
        (25.0,), (289.5,), points=1,
    ),
    "calomel-saturated": Table(
        "calomel in saturated KCl", "mV",
        "0.244 V with junction at 25 °C (0.2412 V without: Bard & Faulkner), 25 °C only",
        (25.0,), (244.0,), points=1,
    ),
    "she": Table("the hydrogen electrode", "mV", "by definition", (-5.0, 100.0), (0.0, 0.0)),
}  # fmt: skip


def reference_potential(reference: str, temp_c: float | None) -> Derived:
    """Give mV against SHE of a reference electrode, ±3 mV between conventions.

    3 mol/L KCl 0 to 45 °C, saturated 0 to 50 °C, the others where their tables hold (some only at
    25 °C). WaterError names the known electrodes.
    """
    if reference not in REFERENCES:
        raise WaterError(
            f"unknown reference electrode {reference[:30]!r}: known are {', '.join(REFERENCES)}"
        )
    return REFERENCES[reference].at(temp_c)


def silver_chloride_standard(temp_c: float | None) -> float:
    """Give the standard potential of AgCl/Ag in mV (222.58 at 25 °C), unit activity of chloride.

    Bard, Parsons & Jordan, Standard Potentials in Aqueous Solution (1985), 0 to 95 °C.
    """
    t = _SILVER.require(temp_c)
    return 236.95 - 0.48564 * t - 3.4205e-3 * t**2 - 5.869e-6 * t**3


def eh_of(orp_mv: float | None, reference: str, temp_c: float | None) -> Derived:
    """Turn a meter's ORP into Eh, mV against SHE: reading + Eref(T) (USGS NFM A6.5)."""
    reading = finite(orp_mv, "the ORP", "mV")
    ref = reference_potential(reference, temp_c)
    return Derived(reading + ref.value, "mV", f"reading + {ref.value:.0f} mV", ref.extrapolated)


def orp_of(eh_mv: float | None, reference: str, temp_c: float | None) -> Derived:
    """Turn Eh (mV against SHE) into what a meter with this reference shows."""
    eh = finite(eh_mv, "Eh", "mV against SHE")
    ref = reference_potential(reference, temp_c)
    return Derived(eh - ref.value, "mV", f"Eh - {ref.value:.0f} mV", ref.extrapolated)


_ZOBELLS = {
    "standard-methods": _Line(428.0, -2.2, 0.0, "Standard Methods 2580, table I"),
    "nordstrom": _Line(430.28, -2.5157, -0.0037979, "Nordstrom, GCA 41 (1977) 1835; USGS NFM A6.5"),
}


def zobell(temp_c: float | None, *, table: str = "standard-methods") -> Derived:
    """Give Eh of ZoBell's solution in mV against SHE: 428 or 430 at 25 °C, 5 to 40 °C.

    0.003333 mol/L of each hexacyanoferrate in 0.1 mol/L KCl. Two scales are in print, 6 mV apart
    at 10 °C: `standard-methods` (2580) and `nordstrom` (1977, USGS). Marked from 0 to 50 °C.
    """
    if table not in _ZOBELLS:
        raise WaterError(f"unknown ZoBell table {table[:30]!r}: known are {', '.join(_ZOBELLS)}")
    outside = _ZOBELL.is_outside(temp_c)
    line = _ZOBELLS[table]
    return Derived(line.at(finite(temp_c, "the temperature")), "mV", line.source, outside)


def light(temp_c: float | None = 25.0) -> Derived:
    """Give Eh of Light's solution, 675 mV against SHE at 25 °C (Light 1972; Standard Methods 2580).

    Iron(II) and iron(III) in sulfuric acid. No temperature table is at hand: within 20 to 30 °C the
    25 °C value is given, marked as extrapolated unless it is 25 °C.
    """
    outside = Domain("the temperature of Light's solution", "°C", 25.0, 25.0, 20.0, 30.0)
    return Derived(675.0, "mV", "Light 1972; SM 2580 table II", outside.is_outside(temp_c))


def quinhydrone(ph: float | None, temp_c: float | None) -> Derived:
    """Give Eh of a buffer saturated with quinhydrone, mV against SHE: E0(T) - k(T) pH, pH below 8.

    E0 = 699.4 - 0.7396 (T - 25) mV (699.4 at 25 °C: from memory, Harned & Wright 1933), 5 to
    40 °C. Above pH 8 quinhydrone decomposes.
    """
    acidity = Domain("the pH of the buffer", "", 1.0, 8.0).require(ph)
    t = Domain("the temperature", "°C", 5.0, 40.0).require(temp_c)
    value = 699.4 - 0.7396 * (t - 25.0) - nernst_slope(t) * acidity
    return Derived(value, "mV", "E0 - k pH, E0 699.4 mV at 25 °C (from memory)")


def quinhydrone_span(temp_c: float | None) -> float:
    """Give mV between quinhydrone in phthalate and in phosphate: k(T) (pH - pH'), 5 to 40 °C.

    No reference electrode enters, so this span checks any ORP probe's gain (168.6 in print at
    25 °C, which this meets within 0.7 mV).
    """
    acid = quinhydrone(buffer_ph("primary", "phthalate", temp_c).value, temp_c)
    neutral = quinhydrone(buffer_ph("primary", "phosphate", temp_c).value, temp_c)
    return acid.value - neutral.value


SOLUTIONS: Mapping[str, Callable[[float | None], Derived]] = {"zobell": zobell, "light": light}
"""Redox standards by name: temperature in °C to Eh in mV against SHE."""
