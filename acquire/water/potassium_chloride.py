"""Potassium chloride standards: the conductivity of a solution, by whose definition.

"The 0.01 KCl standard" is four numbers at 25 °C: 1408.23 (0.01 mol/kg, NIST), 1408.3 (0.01 demal,
OIML), 1412 (0.01 mol/L, Standard Methods) and 1413 µS/cm (0.01 mol/L, US EPA). A bottle names one
of them; which one is kept with every check.

The water's own conductivity is subtracted in the NIST and OIML values: with water of 1 µS/cm the
meter shows 1 µS/cm more.
"""

from __future__ import annotations

import math
from typing import Literal

from acquire.errors import WaterError
from acquire.water.inputs import Derived, Domain, positive
from acquire.water.tables import Table, lagrange

__all__ = [
    "Definition",
    "demal",
    "epa_molar",
    "kcl_shape",
    "kcl_standard",
    "molal",
    "molality_of",
    "standard_methods_molar",
]

Definition = Literal["molal", "demal", "epa", "standard-methods"]

_NIST = (
    "Pratt, Koch, Wu & Berezansky, Pure Appl. Chem. 73 (2001) 1783; Wu et al., J. Res. NIST 96 "
    "(1991) 191; ITS-90, water subtracted"
)
_T12 = (0.0, 5.0, 10.0, 15.0, 18.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 50.0)
_T11 = tuple(t for t in _T12 if t != 18.0)
_MOLAL = {
    0.01: Table("0.01 mol/kg KCl", "uS/cm", _NIST, _T12, (
        772.92, 890.96, 1013.95, 1141.45, 1219.93, 1273.03,
        1408.23, 1546.63, 1687.79, 1831.27, 1976.62, 2123.43,
    )),
    0.1: Table("0.1 mol/kg KCl", "uS/cm", _NIST, _T12, (
        7116.85, 8183.70, 9291.72, 10437.1, 11140.6, 11615.9,
        12824.6, 14059.2, 15316.0, 16591.0, 17880.6, 19180.9,
    )),
    1.0: Table("1 mol/kg KCl", "uS/cm", _NIST, _T11, (
        63488.0, 72030.0, 80844.0, 89900.0, 99170.0,
        108620.0, 118240.0, 127970.0, 137810.0, 147720.0, 157670.0,
    )),
}  # fmt: skip

# OIML R 56 (1981): g of KCl in 1 kg of solution, µS/cm at 25 °C.
_OIML = "OIML R 56 (1981), 25 °C; other temperatures by the shape of the NIST molal table"
# The 1 demal value is from memory.
_DEMAL = {
    0.001: (0.07466, 146.9),
    0.01: (0.745263, 1408.3),
    0.1: (7.41913, 12852.0),
    1.0: (71.1352, 111310.0),
}

_EPA = Table(
    "0.01 mol/L KCl",
    "uS/cm",
    "US EPA method 120.1 (rev. 1982) section 7.1",
    (21.0, 22.0, 23.0, 24.0, 25.0, 26.0, 27.0, 28.0),
    (1305.0, 1332.0, 1359.0, 1386.0, 1413.0, 1441.0, 1468.0, 1496.0),
    points=2,  # whole µS/cm: a cubic would only follow the rounding
)

# Standard Methods 2510, table of KCl at 25 °C: mol/L, equivalent conductivity S cm²/mol.
_SM = (
    (0.0, 149.9), (0.0001, 148.9), (0.0005, 147.7), (0.001, 146.9), (0.005, 143.6), (0.01, 141.2),
    (0.02, 138.2), (0.05, 133.3), (0.1, 128.9), (0.2, 124.0), (0.5, 117.3), (1.0, 111.9),
)  # fmt: skip
_SM_ROOTS = tuple(math.sqrt(c) for c, _ in _SM)
_SM_LAMBDA = tuple(value for _, value in _SM)

MOLAR_MASS_G = 74.5513
TEMPERATURE = Domain("the temperature of the standard", "°C", 0.0, 50.0)


def kcl_standard(definition: Definition, strength: float, temp_c: float | None) -> Derived:
    """Give µS/cm of a potassium chloride standard at a temperature (0 to 50 °C).

    `strength` counts in what the definition counts in: mol/kg of water (`molal`), demal, or mol/L
    (`epa`, `standard-methods`). WaterError names the strengths a definition knows.
    """
    match definition:
        case "molal":
            return molal(strength, temp_c)
        case "demal":
            return demal(strength, temp_c)
        case "epa":
            _known(strength, (0.01,), "EPA 120.1 in mol/L")
            return epa_molar(temp_c)
        case "standard-methods":
            return standard_methods_molar(strength, temp_c)
        case _:
            raise WaterError(
                f"unknown definition of a potassium chloride standard {str(definition)[:40]!r}: "
                "known are molal, demal, epa, standard-methods"
            )


def molal(molality: float, temp_c: float | None) -> Derived:
    """Give µS/cm of 0.01, 0.1 or 1 mol KCl per kg of water: the NIST table, 0 to 50 °C.

    Between its lines a cubic, which reproduces the table to 1 in 10^5.
    """
    _known(molality, tuple(_MOLAL), "NIST in mol/kg")
    return _MOLAL[molality].at(temp_c)


def demal(strength: float, temp_c: float | None) -> Derived:
    """Give µS/cm of 0.001, 0.01, 0.1 or 1 demal KCl (OIML R 56); the certified value is at 25 °C.

    Elsewhere the 25 °C value is carried by the shape of the NIST table: good to 0.1 %, 0.3 % for
    0.001 demal, whose shape is taken from the 0.01 mol/kg solution.
    """
    _known(strength, tuple(_DEMAL), "OIML in demal")
    grams, at_25 = _DEMAL[strength]
    return Derived(at_25 * kcl_shape(molality_of(grams), temp_c), "uS/cm", _OIML)


def molality_of(g_per_kg_solution: float) -> float:
    """Turn grams of KCl in 1 kg of solution into mol per kg of water (M = 74.5513 g/mol)."""
    grams = positive(g_per_kg_solution, "the mass of KCl in 1 kg of solution", "g")
    if grams >= 250.0:
        raise WaterError(f"{grams:g} g of KCl in 1 kg is beyond what dissolves at 20 °C")
    return grams / MOLAR_MASS_G / (1.0 - grams / 1000.0)


def epa_molar(temp_c: float | None) -> Derived:
    """Give µS/cm of 0.01 mol/L KCl (0.7456 g/L): US EPA 120.1, 21 to 28 °C, 1413 at 25 °C.

    Outside 21 to 28 °C, 1413 carried by the shape of the NIST table and marked as extrapolated.
    """
    number = TEMPERATURE.require(temp_c)
    if _EPA.temps_c[0] <= number <= _EPA.temps_c[-1]:
        return _EPA.at(number)
    method = f"1413 µS/cm of {_EPA.source}, carried by the NIST molal table"
    return Derived(1413.0 * kcl_shape(0.01, number), "uS/cm", method, extrapolated=True)


def standard_methods_molar(molarity: float, temp_c: float | None = 25.0) -> Derived:
    """Give µS/cm of KCl of any strength up to 1 mol/L: Standard Methods 2510, 25 °C.

    Equivalent conductivity interpolated over the square root of the concentration
    (Kohlrausch). Other temperatures by the shape of the NIST table, marked as extrapolated.
    """
    strength = positive(molarity, "the concentration of KCl", "mol/L")
    if strength > _SM[-1][0]:
        raise WaterError(f"the table ends at 1 mol/L KCl, found {strength:g} mol/L")
    equivalent = lagrange(_SM_ROOTS, _SM_LAMBDA, math.sqrt(strength), points=2)
    number = TEMPERATURE.require(temp_c)
    at_25 = 1000.0 * strength * equivalent
    method = "Standard Methods 2510, table of KCl at 25 °C"
    if number == 25.0:
        return Derived(at_25, "uS/cm", method)
    value = at_25 * kcl_shape(strength, number)
    return Derived(value, "uS/cm", f"{method}, carried by the NIST molal table", extrapolated=True)


def kcl_shape(molality: float, temp_c: float | None) -> float:
    """Give EC_T / EC_25 of a KCl solution, 0 to 50 °C, between the three NIST strengths.

    Interpolated over the square root of the molality; below 0.01 mol/kg the shape of that strength
    (0.3 % at 0 °C).
    """
    strength = positive(molality, "the concentration of KCl", "mol/kg")
    root = math.sqrt(min(1.0, max(0.01, strength)))
    roots = tuple(math.sqrt(c) for c in _MOLAL)
    ratios = tuple(table.at(temp_c).value / table.at(25.0).value for table in _MOLAL.values())
    return lagrange(roots, ratios, root, points=2)


def _known(strength: float, allowed: tuple[float, ...], whose: str) -> None:
    if strength not in allowed:
        names = ", ".join(f"{value:g}" for value in allowed)
        raise WaterError(f"no standard of {strength:g} ({whose}): known are {names}")
