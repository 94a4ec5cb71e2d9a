"""Practical salinity: PSS-78 with its extension to fresh water.

A sea-water convention: it says how salty sea water of the same conductivity would be, in a number
without unit near g/kg. In tap water it is a label for a conductivity, not a measure of sodium or of
chloride. The input is the raw conductivity at the water's temperature, never one compensated to
25 °C. Temperatures in °C on ITS-90 unless a name ends in t68; T68 = 1.00024 T90.
"""

from __future__ import annotations

import math

from acquire.water.inputs import Derived, Domain, finite, positive

__all__ = [
    "C_35_15_0_MS_CM",
    "conductivity_of_salinity",
    "percent_of_salinity",
    "practical_salinity",
    "salinity_of_bath_ratio",
    "salinity_of_ratio",
    "t68",
]

C_35_15_0_MS_CM = 42.914
"""mS/cm of sea water of salinity 35 at T68 15 °C and no pressure: UNESCO 1983, TEOS-10."""

TEMPERATURE = Domain("the water temperature", "°C", -2.0, 35.0, -2.0, 45.0)
PRESSURE = Domain("the pressure", "dbar", 0.0, 10000.0)
SALINITY = Domain("the practical salinity", "(PSS-78)", 0.0, 42.0, 0.0, 50.0)

_A = (0.0080, -0.1692, 25.3851, 14.0941, -7.0261, 2.7081)
_B = (0.0005, -0.0056, -0.0066, -0.0375, 0.0636, -0.0144)
_C = (0.6766097, 2.00564e-2, 1.104259e-4, -6.9698e-7, 1.0031e-9)
_D = (3.426e-2, 4.464e-4, 4.215e-1, -3.107e-3)
_E = (2.070e-5, -6.370e-10, 3.989e-15)
_K = 0.0162


def t68(temp_c: float) -> float:
    """Turn an ITS-90 temperature into IPTS-68, °C: Saunders, WOCE Newsletter 10 (1990)."""
    return 1.00024 * temp_c


def practical_salinity(
    ec_raw_us_cm: float | None,
    temp_c: float | None,
    pressure_dbar: float = 0.0,
    *,
    extension: bool = True,
) -> Derived:
    """Give the practical salinity of a raw conductivity in µS/cm at `temp_c` (°C, ITS-90).

    PSS-78 (UNESCO Technical Papers in Marine Science 44, 1983), 2 to 42, -2 to 35 °C; below 2 the
    extension of Hill, Dauphinee & Woods (IEEE J. Ocean. Eng. 11 (1986) 109), as TEOS-10 joins
    them. Without the extension 100 µS/cm reads 12 % high. Outside the ranges it is marked, as is
    the 0 given below some 2 µS/cm; above salinity 50 or 45 °C it is refused.
    """
    level = positive(ec_raw_us_cm, "the raw conductivity", "µS/cm", zero=True)
    outside = TEMPERATURE.is_outside(temp_c)
    old = t68(finite(temp_c, "the water temperature"))
    ratio = level / 1000.0 / C_35_15_0_MS_CM
    value = salinity_of_ratio(ratio, old, pressure_dbar, extension=extension)
    method = "PSS-78" if value >= 2.0 or not extension else "PSS-78, Hill et al. 1986 extension"
    # Below some 1 to 2 µS/cm the extension falls under zero: 0 is then a bound, not a result.
    beyond = SALINITY.is_outside(value) or (value < 2.0 and not extension) or value == 0.0 < level
    return Derived(value, "1", method, outside or beyond)


def salinity_of_ratio(
    ratio: float, temp_t68: float, pressure_dbar: float = 0.0, *, extension: bool = True
) -> float:
    """Give the practical salinity of a conductivity ratio R = C/C(35, 15, 0); T68 in °C."""
    big_r = positive(ratio, "the conductivity ratio", zero=True)
    temp, pressure = TEMPERATURE.require(temp_t68), PRESSURE.require(pressure_dbar)
    e1, e2, e3 = _E
    d1, d2, d3, d4 = _D
    rp = 1.0 + pressure * (e1 + pressure * (e2 + pressure * e3)) / (
        1.0 + d1 * temp + d2 * temp**2 + (d3 + d4 * temp) * big_r
    )
    return _salinity(big_r / (rp * _rt(temp)), temp, extension=extension)


def salinity_of_bath_ratio(ratio: float, temp_c: float) -> float:
    """Give the practical salinity of Rt = C(S, T, 0)/C(35, T, 0) at `temp_c` (°C, ITS-90)."""
    rt = positive(ratio, "the conductivity ratio", zero=True)
    return _salinity(rt, t68(TEMPERATURE.require(temp_c)), extension=True)


def _rt(temp_t68: float) -> float:
    """C(35, T, 0) / C(35, 15, 0): UNESCO 44, equation 3."""
    return sum(c * temp_t68**i for i, c in enumerate(_C))


def _salinity(rt: float, temp_t68: float, *, extension: bool) -> float:
    root = math.sqrt(rt)
    shift = (temp_t68 - 15.0) / (1.0 + _K * (temp_t68 - 15.0))
    plain = sum((a + shift * b) * root**i for i, (a, b) in enumerate(zip(_A, _B, strict=True)))
    if plain >= 2.0 or not extension:
        return plain
    # Hill et al. 1986, with the ratio of TEOS-10 that makes the two agree at salinity 2.
    return _hill(rt, temp_t68, plain) * _hill_join(temp_t68)


def _hill(rt: float, temp_t68: float, plain: float) -> float:
    x, y = 400.0 * rt, 100.0 * rt
    root_y = math.sqrt(y)
    ft = (temp_t68 - 15.0) / (1.0 + _K * (temp_t68 - 15.0))
    part1 = _A[0] / (1.0 + x * (1.5 + x))
    part2 = _B[0] * ft / (1.0 + root_y * (1.0 + root_y * (1.0 + root_y)))
    return max(0.0, plain - part1 - part2)


def _hill_join(temp_t68: float) -> float:
    """Give the factor that makes the extension meet PSS-78 at salinity 2, as TEOS-10 does."""
    low, high = 0.0, 0.2
    for _ in range(60):
        middle = 0.5 * (low + high)
        below = _salinity(middle, temp_t68, extension=False) < 2.0
        low, high = (middle, high) if below else (low, middle)
    rt = 0.5 * (low + high)
    return 2.0 / _hill(rt, temp_t68, 2.0)


def conductivity_of_salinity(
    salinity: float | None, temp_c: float | None, pressure_dbar: float = 0.0
) -> Derived:
    """Give the raw conductivity in µS/cm of a practical salinity: PSS-78 inverted by bisection."""
    wanted = finite(salinity, "the practical salinity")
    outside = SALINITY.is_outside(wanted) | TEMPERATURE.is_outside(temp_c)
    old = t68(finite(temp_c, "the water temperature"))
    low, high = 0.0, 3.0  # three times standard seawater is 75 or more at any temperature here
    for _ in range(80):
        middle = 0.5 * (low + high)
        below = salinity_of_ratio(middle, old, pressure_dbar) < wanted
        low, high = (middle, high) if below else (low, middle)
    value = 0.5 * (low + high) * C_35_15_0_MS_CM * 1000.0
    return Derived(value, "uS/cm", "PSS-78 inverted", outside)


def percent_of_salinity(g_per_kg: float) -> float:
    """Turn g of salt per kg (‰, ppt) into %, as salinity displays show it: 10 g/kg is 1 %."""
    return positive(g_per_kg, "the salinity", "g/kg", zero=True) / 10.0
