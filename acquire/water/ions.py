"""What dissolved ions conduct and weigh: from an analysis (mg/L) to conductivity and solids.

The method of PHREEQC 3 (Parkhurst & Appelo, USGS Techniques and Methods 6-A43, 2013, and the
release notes since): each ion conducts z² F² D/(RT) by its tracer diffusion coefficient D, less
as the ions slow each other; what is bound in neutral ion pairs conducts nothing. Diffusion
coefficients, ion sizes and pair constants are those of the USGS data base phreeqc.dat.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from acquire.errors import WaterError
from acquire.water.activity import activity_coefficient, debye_huckel
from acquire.water.constants import FARADAY, GAS_CONSTANT
from acquire.water.inputs import Derived, Domain, positive
from acquire.water.pure import water_viscosity

__all__ = [
    "IONS",
    "SALTS",
    "charge_balance_percent",
    "conductivity_of_ions",
    "ionic_strength_of",
    "residue_of_ions",
    "salt_to_ions",
    "sum_of_ions",
]


@dataclass(frozen=True, slots=True)
class Ion:
    """One ion or charged pair, as phreeqc.dat (USGS) lists it."""

    charge: int
    mass: float
    """g/mol (IUPAC)."""
    diffusion: float
    """Tracer diffusion coefficient at 25 °C in 1e-9 m²/s."""
    size: float
    """Ion size of the Truesdell-Jones law in angstrom."""
    b: float = 0.0
    """Its linear term in kg/mol."""


IONS: Mapping[str, Ion] = {
    "Na": Ion(1, 22.990, 1.33, 4.08, 0.082),
    "K": Ion(1, 39.098, 1.96, 3.5, 0.015),
    "Ca": Ion(2, 40.078, 0.793, 5.0, 0.165),
    "Mg": Ion(2, 24.305, 0.705, 5.5, 0.20),
    "Cl": Ion(-1, 35.453, 2.03, 3.63, 0.017),
    "HCO3": Ion(-1, 61.017, 1.18, 5.4),
    "SO4": Ion(-2, 96.06, 1.07, 5.0, -0.04),
    "NO3": Ion(-1, 62.004, 1.90, 3.0),
}

SALTS: Mapping[str, Mapping[str, int]] = {
    "NaCl": {"Na": 1, "Cl": 1},
    "KCl": {"K": 1, "Cl": 1},
    "CaCl2": {"Ca": 1, "Cl": 2},
    "MgCl2": {"Mg": 1, "Cl": 2},
    "NaHCO3": {"Na": 1, "HCO3": 1},
    "KHCO3": {"K": 1, "HCO3": 1},
    "Na2SO4": {"Na": 2, "SO4": 1},
    "CaSO4": {"Ca": 1, "SO4": 1},
    "MgSO4": {"Mg": 1, "SO4": 1},
    "NaNO3": {"Na": 1, "NO3": 1},
}


@dataclass(frozen=True, slots=True)
class Pair:
    """An ion pair: log K at 25 °C, its enthalpy in kcal/mol, and what it is as an ion."""

    log_k: float
    enthalpy: float
    ion: Ion


_NEUTRAL = Ion(0, 0.0, 0.0, 0.0)
_PAIRS: Mapping[tuple[str, str], Pair] = {
    ("Ca", "SO4"): Pair(2.25, 1.325, _NEUTRAL),
    ("Mg", "SO4"): Pair(2.37, 4.550, _NEUTRAL),
    ("Na", "SO4"): Pair(0.70, 1.120, Ion(-1, 0.0, 0.618, 5.4)),
    ("K", "SO4"): Pair(0.85, 2.250, Ion(-1, 0.0, 0.746, 5.4)),
    ("Ca", "HCO3"): Pair(1.106, 2.69, Ion(1, 0.0, 0.506, 6.0)),
    ("Mg", "HCO3"): Pair(1.07, 0.79, Ion(1, 0.0, 0.478, 4.0)),
    ("Na", "HCO3"): Pair(-0.25, -1.0, _NEUTRAL),
}

TEMPERATURE = Domain("the water temperature", "°C", 0.0, 60.0)
STRENGTH = Domain("the ionic strength", "mol/kg", 0.0, 0.5, 0.0, 1.0)
GAS_CONSTANT_KCAL = 1.987204e-3
HCO3_TO_CO3 = 60.008 / (2 * 61.017)  # 2 HCO3 lose CO2 and H2O on drying: half a CO3 remains


def _molal(ions_mg_l: Mapping[str, float]) -> dict[str, float]:
    unknown = [name for name in ions_mg_l if name not in IONS]
    if unknown or not ions_mg_l:
        raise WaterError(f"give mg/L of these ions: {', '.join(IONS)}; found {unknown[:5]}")
    return {
        name: positive(mg, f"the concentration of {name}", "mg/L", zero=True)
        / (1000.0 * IONS[name].mass)
        for name, mg in ions_mg_l.items()
    }


def salt_to_ions(salts_mg_l: Mapping[str, float]) -> dict[str, float]:
    """Turn mg/L of anhydrous salts into mg/L of their ions; WaterError names the known salts."""
    ions: dict[str, float] = {}
    for salt, mg in salts_mg_l.items():
        if salt not in SALTS:
            raise WaterError(f"unknown salt {salt[:20]!r}: known are {', '.join(SALTS)}")
        amount = positive(mg, f"the concentration of {salt}", "mg/L", zero=True)
        whole = sum(n * IONS[ion].mass for ion, n in SALTS[salt].items())
        for ion, n in SALTS[salt].items():
            ions[ion] = ions.get(ion, 0.0) + amount * n * IONS[ion].mass / whole
    return ions


def sum_of_ions(ions_mg_l: Mapping[str, float]) -> float:
    """Give mg/L of all ions as they are in the water (bicarbonate whole)."""
    _molal(ions_mg_l)
    return sum(ions_mg_l.values())


def residue_of_ions(ions_mg_l: Mapping[str, float]) -> float:
    """Give mg/L left on drying at 180 °C: bicarbonate counts as carbonate, x 0.4917.

    Standard Methods 1030 E / Hem, USGS WSP 2254 (1985). Gypsum may keep some water: read as a
    lower bound for waters rich in sulfate.
    """
    return sum_of_ions(ions_mg_l) - (1.0 - HCO3_TO_CO3) * ions_mg_l.get("HCO3", 0.0)


def charge_balance_percent(ions_mg_l: Mapping[str, float]) -> float:
    """Give 100 (cations - anions) / (cations + anions) in equivalents; doubt it beyond ±5 %.

    Standard Methods 1030 E.
    """
    charges = [IONS[name].charge * c for name, c in _molal(ions_mg_l).items()]
    total = sum(abs(charge) for charge in charges)
    if total == 0:
        raise WaterError("no ions: at least one concentration above zero is needed")
    return 100.0 * sum(charges) / total


def ionic_strength_of(ions_mg_l: Mapping[str, float]) -> float:
    """Give I = 1/2 sum(m z²) in mol/kg, every ion counted as free."""
    return 0.5 * sum(c * IONS[name].charge ** 2 for name, c in _molal(ions_mg_l).items())


def conductivity_of_ions(ions_mg_l: Mapping[str, float], temp_c: float | None = 25.0) -> Derived:
    """Give µS/cm at `temp_c` of a water with these ions: PHREEQC 3, 0 to 60 °C.

    For balanced fresh waters between pH 6 and 8.5, where hydrogen, hydroxide and carbonate conduct
    nothing that counts: within 2 % of PHREEQC itself. Temperature acts through the viscosity of
    water. Above an ionic strength of 0.5 mol/kg it is marked, above 1 refused.
    """
    temperature = TEMPERATURE.require(temp_c)
    conducting, strength = _speciate(_molal(ions_mg_l), temperature)
    outside = STRENGTH.is_outside(strength)
    kappa = sum(
        amount * ion.charge**2 * ion.diffusion * _slowing(abs(ion.charge), strength, temperature)
        for ion, amount in conducting
    )
    # F²/(R T) at 25 °C; 1e-9 m²/s x 1e3 mol/m³ x 1e4 µS/cm per S/m is 1e-2.
    kappa *= 1e-2 * FARADAY**2 / (GAS_CONSTANT * 298.15)
    slower = water_viscosity(25.0) / water_viscosity(temperature)
    return Derived(kappa * slower, "uS/cm", "conductivity of the ions, PHREEQC 3", outside)


def _slowing(charge: int, strength: float, temp_c: float) -> float:
    """Give the fraction of its mobility an ion keeps among the others, as PHREEQC 3.7 has it.

    ln f = -1.6 A |z| sqrt(I) / (1 + 4.73 B sqrt(I) / (1 + I^0.75)).
    """
    a, b = debye_huckel(temp_c)
    root = math.sqrt(strength)
    return math.exp(-1.6 * a * charge * root / (1.0 + 4.73 * b * root / (1.0 + strength**0.75)))


def _gamma(ion: Ion, strength: float, temp_c: float) -> float:
    return activity_coefficient(ion.charge, strength, temp_c, size=ion.size, b=ion.b)


def _speciate(total: Mapping[str, float], temp_c: float) -> tuple[list[tuple[Ion, float]], float]:
    """Share ions between free and paired: one pair after another until nothing moves."""
    known = {key: p for key, p in _PAIRS.items() if key[0] in total and key[1] in total}
    free, held = dict(total), dict.fromkeys(known, 0.0)
    strength = 0.0
    for _ in range(200):
        strength = 0.5 * (
            sum(c * IONS[name].charge ** 2 for name, c in free.items())
            + sum(c * known[key].ion.charge ** 2 for key, c in held.items())
        )
        STRENGTH.require(strength)
        changed = 0.0
        for key in known:
            fresh = _bound(
                key, (free[key[0]] + held[key], free[key[1]] + held[key]), strength, temp_c
            )
            changed = max(changed, abs(fresh - held[key]))
            for name in key:
                free[name] -= fresh - held[key]
            held[key] = fresh
        if changed < 1e-10:
            break
    conducting = [(IONS[name], c) for name, c in free.items()]
    conducting += [(known[key].ion, c) for key, c in held.items() if known[key].ion.charge]
    return conducting, strength


def _bound(
    key: tuple[str, str], amounts: tuple[float, float], strength: float, temp_c: float
) -> float:
    """Solve x = K (a - x)(b - x) for one pair, the others left as they are."""
    pair = _PAIRS[key]
    heat = pair.enthalpy / (GAS_CONSTANT_KCAL * math.log(10))
    log_k = pair.log_k + heat * (1 / 298.15 - 1 / (temp_c + 273.15))
    gammas = [_gamma(ion, strength, temp_c) for ion in (IONS[key[0]], IONS[key[1]], pair.ion)]
    k = math.pow(10.0, log_k) * gammas[0] * gammas[1] / gammas[2]
    a, b = amounts
    middle = a + b + 1.0 / k
    return 2.0 * a * b / (middle + math.sqrt(max(0.0, middle**2 - 4.0 * a * b)))
