"""The pH of simple waters by computation: carbonate, acetate, sodium and water itself.

One engine: the charges of all ions must balance. Constants against temperature, each with its
source; activity coefficients by Truesdell & Jones or Davies. Concentrations in mol/kg of water, the
pressure of carbon dioxide in atm, temperature in °C, 0 to 50.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from acquire.water.activity import activity_coefficient
from acquire.water.constants import ZERO_C_IN_K
from acquire.water.inputs import Domain, positive

__all__ = [
    "Composition",
    "log_k1",
    "log_k2",
    "log_ka_acetic",
    "log_kh",
    "log_kw",
    "ph_of",
]

TEMPERATURE = Domain("the water temperature", "°C", 0.0, 50.0)


def _carbonate_law(temp_c: float, *a: float) -> float:
    k = TEMPERATURE.require(temp_c) + ZERO_C_IN_K
    return a[0] + a[1] * k + a[2] / k + a[3] * math.log10(k) + a[4] / k**2


def log_k1(temp_c: float) -> float:
    """Log K of CO2 + H2O = H+ + HCO3-: Plummer & Busenberg, GCA 46 (1982) 1011; -6.352 at 25 °C."""
    return _carbonate_law(temp_c, -356.3094, -0.06091964, 21834.37, 126.8339, -1684915.0)


def log_k2(temp_c: float) -> float:
    """Log K of HCO3- = H+ + CO3--: Plummer & Busenberg 1982; -10.329 at 25 °C."""
    return _carbonate_law(temp_c, -107.8871, -0.03252849, 5151.79, 38.92561, -563713.9)


def log_kh(temp_c: float) -> float:
    """Log K of CO2(gas) = CO2(water), mol/(kg atm): Plummer & Busenberg 1982; -1.468 at 25 °C."""
    return _carbonate_law(temp_c, 108.3865, 0.01985076, -6919.53, -40.45154, 669365.0)


def log_kw(temp_c: float) -> float:
    """Log K of H2O = H+ + OH-: the equation of phreeqc.dat (USGS); -13.995 at 25 °C."""
    k = TEMPERATURE.require(temp_c) + ZERO_C_IN_K
    straight = 293.29227 + 0.1360833 * k - 6.996455e-5 * k**2
    return straight - 10576.913 / k - 123.73158 * math.log10(k)


def log_ka_acetic(temp_c: float) -> float:
    """Log K of acetic acid: Harned & Ehlers, J. Am. Chem. Soc. 55 (1933) 652; -4.756 at 25 °C."""
    k = TEMPERATURE.require(temp_c) + ZERO_C_IN_K
    return -(1170.48 / k - 3.1649 + 0.013399 * k)


@dataclass(frozen=True, slots=True)
class Composition:
    """What a water holds, mol/kg; carbonate either as a closed total or by a pressure of CO2."""

    sodium: float = 0.0
    chloride: float = 0.0
    acetate: float = 0.0
    """Acetic acid and acetate together."""
    carbonate: float = 0.0
    """CO2, bicarbonate and carbonate together; ignored when `co2_atm` is given."""
    co2_atm: float | None = None

    def __post_init__(self) -> None:
        for name in ("sodium", "chloride", "acetate", "carbonate"):
            positive(getattr(self, name), f"the amount of {name}", "mol/kg", zero=True)
        if self.co2_atm is not None:
            Domain("the pressure of CO2", "atm", 0.0, 1.0).require(self.co2_atm)


# Ion sizes in angstrom and linear terms as phreeqc.dat lists them; acetate by Davies.
_SIZES = {"H": (9.0, 0.0), "OH": (3.5, 0.0), "HCO3": (5.4, 0.0), "CO3": (5.4, 0.0)}
_NAHCO3 = (-0.25, -1.0)  # log K at 25 °C and enthalpy in kcal/mol of Na+ + HCO3-
_NACO3 = (1.27, 8.91)


def ph_of(water: Composition, temp_c: float | None = 25.0) -> float:
    """Give the pH at which the charges balance, by bisection; ionic strength found on the way.

    0 to 50 °C, ionic strength up to 0.5 mol/kg (refused above 1). Agrees with PHREEQC
    (phreeqc.dat) within 0.02.
    """
    temperature = TEMPERATURE.require(temp_c)
    low, high = 0.0, 14.0
    strength = 0.5 * (water.sodium + water.chloride)
    for _ in range(60):
        middle = 0.5 * (low + high)
        excess, strength = _settle_strength(water, middle, strength, temperature)
        low, high = (middle, high) if excess > 0 else (low, middle)
    return 0.5 * (low + high)


def _settle_strength(
    water: Composition, ph: float, strength: float, temp_c: float
) -> tuple[float, float]:
    """Give the net charge at this pH and the ionic strength that goes with it."""
    excess = 0.0
    for _ in range(50):
        charges = _ions(water, ph, strength, temp_c)
        fresh = min(1.0, 0.5 * sum(amount * z**2 for z, amount in charges))
        excess = sum(amount * z for z, amount in charges)
        if abs(fresh - strength) < 1e-12 + 1e-9 * strength:
            break
        strength = 0.5 * (strength + fresh)
    return excess, strength


def _ions(water: Composition, ph: float, strength: float, temp_c: float) -> list[tuple[int, float]]:
    """List (charge, mol/kg) of every ion at this pH."""
    h = 10.0**-ph
    g = {
        name: activity_coefficient(-2 if name == "CO3" else 1, strength, temp_c, size=size, b=b)
        for name, (size, b) in _SIZES.items()
    }
    g1 = activity_coefficient(1, strength, temp_c)
    g_na = activity_coefficient(1, strength, temp_c, size=4.08, b=0.082)
    ka = 10.0 ** log_ka_acetic(temp_c)
    acetate = water.acetate * ka / (ka + h * g1)
    hco3, co3, na, naco3 = _carbonates(water, (h, strength, temp_c), g, g_na)
    oh = 10.0 ** log_kw(temp_c) / h / g["OH"]
    return [
        (1, h / g["H"]), (1, na), (-1, oh), (-1, water.chloride), (-1, acetate),
        (-1, hco3), (-2, co3), (-1, naco3),
    ]  # fmt: skip


def _carbonates(
    water: Composition, at: tuple[float, float, float], g: dict[str, float], g_na: float
) -> tuple[float, float, float, float]:
    """Give mol/kg of HCO3-, CO3--, free Na+ and NaCO3-, the sodium pairs shared out."""
    h, strength, temp_c = at
    g0 = activity_coefficient(0, strength, temp_c)
    k1, k2 = 10.0 ** log_k1(temp_c), 10.0 ** log_k2(temp_c)
    # Per unit activity of CO2: bicarbonate, carbonate and the two pairs per free sodium.
    hco3, co3 = k1 / h / g["HCO3"], k1 * k2 / h**2 / g["CO3"]
    pair1 = _pair(_NAHCO3, temp_c) * g_na * hco3 * g["HCO3"] / g0
    pair2 = _pair(_NACO3, temp_c) * g_na * co3 * g["CO3"] / g["HCO3"]
    na = water.sodium
    for _ in range(100):
        per_co2 = 1.0 / g0 + hco3 + co3 + na * (pair1 + pair2)
        co2 = (
            water.carbonate / per_co2
            if water.co2_atm is None
            else water.co2_atm * 10.0 ** log_kh(temp_c)
        )
        fresh = water.sodium / (1.0 + co2 * (pair1 + pair2))
        if abs(fresh - na) <= 1e-13:
            break
        na = fresh
    return co2 * hco3, co2 * co3, na, co2 * na * pair2


def _pair(constant: tuple[float, float], temp_c: float) -> float:
    log_k, enthalpy = constant
    heat = enthalpy / (1.987204e-3 * math.log(10))
    return float(10.0 ** (log_k + heat * (1 / 298.15 - 1 / (temp_c + ZERO_C_IN_K))))
