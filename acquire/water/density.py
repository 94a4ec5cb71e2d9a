"""Density and specific gravity of water with salts, and what a three-decimal display can show.

Density in kg/m³, temperature in °C, pressure in dbar above the air's. Specific gravity is a ratio
and means nothing without its two temperatures: that of the water and that of the pure water it is
compared with (20/20, 25/25, 20/4).
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from acquire.errors import WaterError
from acquire.water.inputs import Derived, Domain, finite, positive
from acquire.water.pure import water_density

__all__ = [
    "displayed_gravity",
    "expected_gravity",
    "salt_density",
    "salts_that_show",
    "seawater_density",
    "specific_gravity",
]

_SALINITY = Domain("the practical salinity", "(PSS-78)", 0.0, 42.0, 0.0, 50.0)
_TEMPERATURE_T68 = Domain("the water temperature", "°C", -2.0, 40.0, -2.0, 45.0)
_PRESSURE = Domain("the pressure", "dbar", 0.0, 10000.0)

# Laliberté, J. Chem. Eng. Data 54 (2009) 1725 (model: Laliberté & Cooper, ibid. 49 (2004) 1141):
# c0 to c4 of the apparent specific volume, and the largest mass fraction.
_LALIBERTE: Mapping[str, tuple[float, float, float, float, float, float]] = {
    "NaCl": (-3.24112224e-3, 6.36354336e-2, 1.01371399, 1.45951015e-2, 3317.34854, 0.26),
    "KCl": (-0.855928946, 6.04073571, 2.81787416, 2.53924646e-2, 2681.61723, 0.26),
    "CaCl2": (-9.72893747, 14.7005353, 4.19033341, 3.97403624e-2, 2708.12779, 0.51),
    "MgCl2": (-2.15001423e-2, 4.41202084e-2, 1.53227587, -9.80785061e-3, -3478.36497, 0.32),
    "NaHCO3": (3.77378061e-2, 7.10029652e-3, 7.35733389e-2, 1.68369766e-3, 3291.38382, 0.126),
    "KHCO3": (4.58479254e-2, 7.49127808e-2, 0.505766905, 6.43951864e-3, 3163.65176, 0.34),
    "MgSO4": (98.1201661, 59.2657646, -3.03404982e-2, 5.03619229e-4, 1763.75942, 0.26),
    "Na2SO4": (4.45025449e-6, 9.12086520e-6, 8.40358370e-2, 4.65767525e-3, 4349.50514, 0.32),
}
_SALT_TEMPERATURE = Domain("the water temperature", "°C", 15.0, 60.0, 0.0, 60.0)


def salt_density(salt: str, mg_l: float | None, temp_c: float | None) -> Derived:
    """Give kg/m³ of a solution of one salt: Laliberté & Cooper 2004, constants of 2009.

    15 to 60 °C, marked below down to 0. The excess over pure water is good to some 3 %. WaterError
    names the known salts.
    """
    if salt not in _LALIBERTE:
        raise WaterError(f"unknown salt {salt[:20]!r}: known are {', '.join(_LALIBERTE)}")
    c0, c1, c2, c3, c4, most = _LALIBERTE[salt]
    amount = positive(mg_l, f"the concentration of {salt}", "mg/L", zero=True) / 1000.0
    outside = _SALT_TEMPERATURE.is_outside(temp_c)
    t = finite(temp_c, "the water temperature")
    pure = water_density(t).value
    density = pure
    for _ in range(100):  # mass fraction needs the density it leads to
        w = amount / density
        if w > most:
            raise WaterError(f"{amount:g} g/L of {salt} is more than the model holds for")
        volume = ((c0 * w + c1) * math.exp(1e-6 * (t + c4) ** 2), w + c2 + c3 * t)
        fresh = 1.0 / ((1.0 - w) / pure + w * volume[1] / volume[0])
        if abs(fresh - density) < 1e-9:
            break
        density = fresh
    return Derived(density, "kg/m3", "Laliberté & Cooper 2004, constants of 2009", outside)


def seawater_density(
    salinity: float | None, temp_t68: float | None, pressure_dbar: float = 0.0
) -> Derived:
    """Give kg/m³ of sea water (or water of that salinity): EOS-80.

    UNESCO Technical Papers in Marine Science 36 (1981) and 44 (1983); practical salinity 0 to 42,
    -2 to 40 °C on IPTS-68, 0 to 10000 dbar; marked to salinity 50 and 45 °C. For fresh waters the
    sea salt it assumes is some 10 % off in the excess over pure water.
    """
    outside = _SALINITY.is_outside(salinity) | _TEMPERATURE_T68.is_outside(temp_t68)
    s, t = finite(salinity, "the practical salinity"), finite(temp_t68, "the water temperature")
    bar = _PRESSURE.require(pressure_dbar) / 10.0
    surface = _eos80_surface(s, t)
    value = surface if bar == 0 else surface / (1.0 - bar / _secant_bulk_modulus(s, t, bar))
    return Derived(value, "kg/m3", "EOS-80 (UNESCO 1981)", outside)


def _poly(t: float, *coefficients: float) -> float:
    value = 0.0
    for c in reversed(coefficients):
        value = value * t + c
    return value


def _eos80_surface(s: float, t: float) -> float:
    pure = _poly(t, 999.842594, 6.793952e-2, -9.095290e-3, 1.001685e-4, -1.120083e-6, 6.536332e-9)
    a = _poly(t, 8.24493e-1, -4.0899e-3, 7.6438e-5, -8.2467e-7, 5.3875e-9)
    b = _poly(t, -5.72466e-3, 1.0227e-4, -1.6546e-6)
    return pure + a * s + b * s * math.sqrt(s) + 4.8314e-4 * s**2


def _secant_bulk_modulus(s: float, t: float, bar: float) -> float:
    kw = _poly(t, 19652.21, 148.4206, -2.327105, 1.360477e-2, -5.155288e-5)
    k0 = kw + s * _poly(t, 54.6746, -0.603459, 1.09987e-2, -6.1670e-5)
    k0 += s * math.sqrt(s) * _poly(t, 7.944e-2, 1.6483e-2, -5.3009e-4)
    a = _poly(t, 3.239908, 1.43713e-3, 1.16092e-4, -5.77905e-7)
    a += s * _poly(t, 2.2838e-3, -1.0981e-5, -1.6078e-6) + 1.91075e-4 * s * math.sqrt(s)
    b = _poly(t, 8.50935e-5, -6.12293e-6, 5.2787e-8)
    b += s * _poly(t, -9.9348e-7, 2.0816e-8, 9.1697e-10)
    return k0 + bar * (a + bar * b)


def specific_gravity(density_kg_m3: float | None, *, reference_temp_c: float | None) -> Derived:
    """Give the ratio of a density to that of pure water at `reference_temp_c` (0 to 100 °C).

    The density carries the first temperature, this the second: 20/20 compares at 20 °C.
    """
    density = positive(density_kg_m3, "the density", "kg/m³")
    value = density / water_density(reference_temp_c).value
    return Derived(value, "1", f"over pure water at {reference_temp_c:g} °C, Tanaka et al. 2001")


def expected_gravity(
    tds_mg_l: float | None, temp_c: float | None, *, reference_temp_c: float
) -> tuple[float, float]:
    """Give the lowest and highest specific gravity that this much dissolved salt allows.

    From potassium chloride (0.63 kg/m³ per g/L) and sodium chloride (0.70) to sodium sulfate (0.90)
    and magnesium sulfate (1.02): 0.60 to 1.05, by `salt_density` over its salts. 0 to 100 °C, up to
    50 g/L. Sugar, alcohol and suspended matter obey no such bound.
    """
    grams = positive(tds_mg_l, "the dissolved solids", "mg/L", zero=True) / 1000.0
    Domain("the dissolved solids", "g/L", 0.0, 50.0).require(grams)
    pure, base = water_density(temp_c).value, water_density(reference_temp_c).value
    return (pure + 0.60 * grams) / base, (pure + 1.05 * grams) / base


def displayed_gravity(gravity: float | None, *, resolution: float = 0.001) -> float:
    """Give what a display of this resolution shows: 1.0001 is 1.000 on three decimals."""
    value = positive(gravity, "the specific gravity")
    step = positive(resolution, "the display's resolution")
    return round(round(value / step) * step, 12)


def salts_that_show(*, resolution: float = 0.001, grams_per_gram: float = 0.7) -> float:
    """Give the mg/L of salts from which a display stops showing pure water's value.

    Half a step of the display over 0.7 kg/m³ per g/L (sodium chloride, the usual case): 0.7 g/L
    on three decimals. Below it the display shows 1.000 whatever is dissolved.
    """
    step = positive(resolution, "the display's resolution")
    return 1e6 * 0.5 * step / positive(grams_per_gram, "the density gained per g/L")
