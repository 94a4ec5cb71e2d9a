"""Total dissolved solids: a convention, never a measurement.

TDS = k EC25. Conductivity is what the probe measures; k stands for what the solids are thought to
be. For one tap water k can be 0.77 by the sum of its ions and 0.55 by what is left on drying. So
conductivity is kept, TDS derived, and k always shown with its definition.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from acquire.errors import WaterError
from acquire.water.inputs import Derived, Domain, positive
from acquire.water.tables import lagrange

__all__ = [
    "NACL_FACTOR",
    "USUAL_FACTORS",
    "FactorRange",
    "TdsFactor",
    "conductivity_of_nacl",
    "factor_from_residue",
    "nacl_of_conductivity",
    "tds_of",
]

Definition = Literal["nacl", "kcl", "442", "residue", "sum-of-ions", "meter", "other"]
FACTOR = Domain("the TDS factor", "mg/L per µS/cm", 0.54, 0.96, 0.3, 1.2)


@dataclass(frozen=True, slots=True)
class TdsFactor:
    """k in mg/L per µS/cm at 25 °C, and what it makes of the solids."""

    k: float
    definition: Definition = "other"
    source: str = ""

    def __post_init__(self) -> None:
        Domain("the TDS factor", "mg/L per µS/cm", 0.3, 1.2).require(self.k)

    def __str__(self) -> str:
        return f"k = {self.k:g} mg/L per µS/cm ({self.definition})"


NACL_FACTOR = TdsFactor(0.5, "nacl", "common practice, no source: meters scaled as sodium chloride")


@dataclass(frozen=True, slots=True)
class FactorRange:
    """A published range of k."""

    low: float
    high: float
    source: str


USUAL_FACTORS = {
    "usual": FactorRange(0.55, 0.70, "Standard Methods 2510 A (from memory)"),
    "most natural waters": FactorRange(0.55, 0.75, "Hem, USGS WSP 2254 (1985)"),
    "all natural waters": FactorRange(0.54, 0.96, "Hem, USGS WSP 2254 (1985) (from memory)"),
}


def tds_of(ec25_us_cm: float | None, factor: TdsFactor) -> Derived:
    """Give TDS in mg/L from conductivity at 25 °C in µS/cm; any level at or above zero."""
    level = positive(ec25_us_cm, "the conductivity at 25 °C", "µS/cm", zero=True)
    return Derived(factor.k * level, "mg/L", f"TDS = k EC25, {factor}")


def factor_from_residue(
    residue_mg_l: float | None,
    ec25_us_cm: float | None,
    *,
    definition: Literal["residue", "sum-of-ions"] = "residue",
) -> tuple[TdsFactor, bool]:
    """Find k of one water from a known residue (a laboratory's, or the label of a bottle).

    Gives the factor and whether it lies outside 0.54 to 0.96, the range of natural waters (Hem
    1985): then look for a mistaken unit or a conductivity that is not at 25 °C. WaterError outside
    0.3 to 1.2, where no water lies.
    """
    residue = positive(residue_mg_l, "the residue", "mg/L")
    level = positive(ec25_us_cm, "the conductivity at 25 °C", "µS/cm")
    k = residue / level
    outside = FACTOR.is_outside(k)
    source = f"{residue:g} mg/L at {level:g} µS/cm"
    return TdsFactor(k, definition, source), outside


# Equivalent conductivity of NaCl at 25 °C, S cm²/mol against mol/L: CRC Handbook (from memory;
# agrees with PHREEQC within 1 %).
_NACL = (
    (0.0, 126.39), (0.0005, 124.44), (0.001, 123.68), (0.005, 120.59), (0.01, 118.45),
    (0.02, 115.70), (0.05, 111.01), (0.1, 106.69),
)  # fmt: skip
_ROOTS = tuple(math.sqrt(c) for c, _ in _NACL)
_LAMBDA = tuple(value for _, value in _NACL)
NACL_G_MOL = 58.443
_MOST_MG_L = _NACL[-1][0] * NACL_G_MOL * 1000.0


def conductivity_of_nacl(mg_l: float | None) -> Derived:
    """Give µS/cm at 25 °C of sodium chloride in pure water, up to 5844 mg/L (0.1 mol/L).

    Equivalent conductivities of the CRC Handbook, interpolated over the square root of the
    concentration; within 1 %. The water's own conductivity comes on top.
    """
    amount = positive(mg_l, "the concentration of NaCl", "mg/L", zero=True)
    if amount > _MOST_MG_L:
        raise WaterError(f"the table ends at {_MOST_MG_L:.0f} mg/L NaCl, found {amount:g} mg/L")
    molarity = amount / (1000.0 * NACL_G_MOL)
    value = 1e3 * molarity * lagrange(_ROOTS, _LAMBDA, math.sqrt(molarity), points=2)
    return Derived(value, "uS/cm", "equivalent conductivity of NaCl, CRC Handbook, 25 °C")


def nacl_of_conductivity(ec25_us_cm: float | None) -> Derived:
    """Give the mg/L of sodium chloride that would conduct as much at 25 °C: NaCl-equivalent.

    The inverse of `conductivity_of_nacl` by bisection, up to 10669 µS/cm. Not a measure of sodium
    or chloride: any salts conduct.
    """
    level = positive(ec25_us_cm, "the conductivity at 25 °C", "µS/cm", zero=True)
    low, high = 0.0, _MOST_MG_L
    if level > conductivity_of_nacl(high).value:
        raise WaterError(
            f"the NaCl table ends at {conductivity_of_nacl(high).value:.0f} µS/cm, found {level:g}"
        )
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if conductivity_of_nacl(middle).value < level else (low, middle)
    return Derived(0.5 * (low + high), "mg/L", "NaCl-equivalent, CRC Handbook, 25 °C")
