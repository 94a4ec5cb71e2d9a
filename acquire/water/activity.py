"""Ions in water feel each other: activity coefficients.

Concentrations in mol/kg of water; at drinking-water strength mol/L is the same within 0.5 %.
"""

from __future__ import annotations

import math

from acquire.water.constants import ZERO_C_IN_K
from acquire.water.inputs import Domain
from acquire.water.pure import dielectric_constant

__all__ = ["activity_coefficient", "debye_huckel"]

TEMPERATURE = Domain("the water temperature", "°C", 0.0, 60.0)
STRENGTH = Domain("the ionic strength", "mol/kg", 0.0, 0.5, 0.0, 1.0)


def debye_huckel(temp_c: float) -> tuple[float, float]:
    """Give A in (kg/mol)^0.5 for log10 and B in the same per angstrom (0.509, 0.329 at 25 °C).

    A = 1.82e6 (eps T)^-1.5, B = 50.3 (eps T)^-0.5: Truesdell & Jones, J. Res. USGS 2 (1974) 233.
    0 to 60 °C.
    """
    number = TEMPERATURE.require(temp_c)
    product = dielectric_constant(number) * (number + ZERO_C_IN_K)
    return 1.82e6 / (product * math.sqrt(product)), 50.3 / math.sqrt(product)


def activity_coefficient(
    charge: int, ionic_strength: float, temp_c: float, *, size: float | None = None, b: float = 0.0
) -> float:
    """Give gamma of an ion, up to an ionic strength of 0.5 mol/kg (refused above 1), 0 to 60 °C.

    With an ion `size` in angstrom the law of Truesdell & Jones (1974), with its linear term `b` in
    kg/mol: log gamma = -A z² sqrt(I)/(1 + B size sqrt(I)) + b I. Without, Davies (Ion Association,
    1962): log gamma = -A z² (sqrt(I)/(1 + sqrt(I)) - 0.3 I). Something uncharged: 0.1 I.
    """
    STRENGTH.require(ionic_strength)
    if charge == 0:
        return float(10.0 ** (0.1 * ionic_strength))
    root = math.sqrt(ionic_strength)
    a, big_b = debye_huckel(temp_c)
    if size is None:
        exponent = -a * charge**2 * (root / (1.0 + root) - 0.3 * ionic_strength)
    else:
        exponent = -a * charge**2 * root / (1.0 + big_b * size * root) + b * ionic_strength
    return float(10.0**exponent)
