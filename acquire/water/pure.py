"""Pure water itself: density, viscosity, permittivity.

Density in kg/m³ at normal pressure, viscosity in mPa s, temperature in °C (ITS-90).
"""

from __future__ import annotations

import math

from acquire.water.constants import ZERO_C_IN_K
from acquire.water.inputs import Derived, Domain

__all__ = ["dielectric_constant", "water_density", "water_viscosity"]

TANAKA_C = (0.0, 40.0)
TEMPERATURE = Domain("the water temperature", "°C", 0.0, 100.0)


def water_density(temp_c: float | None) -> Derived:
    """Give kg/m³ of pure, air-free water at 101.325 kPa, 0 to 100 °C.

    0 to 40 °C: Tanaka et al., Metrologia 38 (2001) 301, the CIPM formula, within 0.001 kg/m³.
    Above: IAPWS SR7-09 (2009) for liquid water at 0.1 MPa, within 0.001 kg/m³ of the first at
    40 °C. Air dissolved from the room lessens it by at most 0.005 kg/m³.
    """
    number = TEMPERATURE.require(temp_c)
    if number <= TANAKA_C[1]:
        return Derived(_tanaka(number), "kg/m3", "Tanaka et al. 2001 (CIPM)")
    return Derived(_iapws_density(number), "kg/m3", "IAPWS SR7-09 (2009), 0.1 MPa")


def _tanaka(t: float) -> float:
    a1, a2, a3, a4, a5 = -3.983035, 301.797, 522528.9, 69.34881, 999.974950
    return a5 * (1.0 - (t + a1) ** 2 * (t + a2) / (a3 * (t + a4)))


# IAPWS SR7-09, table 1: exponents and coefficients of the specific volume at 0.1 MPa.
_IAPWS_A = (
    (4, 6.74458446e3), (5, -2.22521604e5), (7, 1.00231247e8), (8, -1.63552118e9),
    (9, 8.32299658e9),
)  # fmt: skip
_IAPWS_B = (
    (1, 5.78545292e-3), (2, -1.53195665e-2), (3, 3.11337859e-2), (4, -4.23546241e-2),
    (5, 3.38713507e-2), (6, -1.19946761e-2),
)  # fmt: skip


def _iapws_density(t: float) -> float:
    kelvin = t + ZERO_C_IN_K
    alpha, beta = 10.0 / (593.0 - kelvin), 10.0 / (kelvin - 232.0)
    series = 1.93763157e-2
    series += sum(a * alpha**n for n, a in _IAPWS_A) + sum(b * beta**m for m, b in _IAPWS_B)
    return 1.0 / (461.51805 * 10.0 / 1e5 * series)


def water_viscosity(temp_c: float | None) -> float:
    """Give mPa s of liquid water at 0.1 MPa: IAPWS R12-08 (2008) as in SR6/SR7, 0 to 100 °C."""
    t = TEMPERATURE.require(temp_c)
    reduced = (t + ZERO_C_IN_K) / 300.0
    terms = ((280.68, -1.9), (511.45, -7.7), (61.131, -19.6), (0.45903, -40.0))
    return 1e-3 * math.fsum(a * math.pow(reduced, power) for a, power in terms)


def dielectric_constant(temp_c: float | None) -> float:
    """Give the relative permittivity of water: Malmberg & Maryott, J. Res. NBS 56 (1956) 1.

    0 to 100 °C.
    """
    t = TEMPERATURE.require(temp_c)
    return 87.740 - 0.40008 * t + 9.398e-4 * t**2 - 1.410e-6 * t**3
