"""Does a water leave scale: the Langelier saturation index.

Negative: it dissolves calcium carbonate; positive: it may leave it; within ±0.5 neither counts
(common practice). Hardness and alkalinity in mg/L as CaCO3, temperature in °C. pH and conductivity
come from the probe, hardness and alkalinity from a laboratory or a test kit.
"""

from __future__ import annotations

import math

from acquire.water.activity import activity_coefficient
from acquire.water.constants import ZERO_C_IN_K
from acquire.water.equilibrium import log_k2
from acquire.water.inputs import Derived, Domain, positive

__all__ = ["langelier_index", "langelier_index_short"]

PH = Domain("the pH", "", 6.5, 9.5, 5.0, 10.0)
TEMPERATURE = Domain("the water temperature", "°C", 0.0, 50.0)
CACO3_G_MOL = 100.087


def log_k_calcite(temp_c: float) -> float:
    """Log K of calcite = Ca++ + CO3--: Plummer & Busenberg 1982; -8.48 at 25 °C."""
    k = TEMPERATURE.require(temp_c) + ZERO_C_IN_K
    return -171.9065 - 0.077993 * k + 2839.319 / k + 71.595 * math.log10(k)


def langelier_index(
    ph: float | None,
    temp_c: float | None,
    *,
    calcium_mg_l: float | None,
    alkalinity_mg_l: float | None,
    tds_mg_l: float | None,
) -> Derived:
    """Give LSI = pH - pHs, both hardness and alkalinity in mg/L as CaCO3: Standard Methods 2330 B.

    pHs = pK2 - pKs + p[Ca] + p[HCO3] + 5 pf, ionic strength TDS/40000, activity by Davies,
    constants of Plummer & Busenberg 1982. 0 to 50 °C; pH 6.5 to 9.5, marked from 5 to 10: beyond,
    alkalinity is not bicarbonate.
    """
    outside = PH.is_outside(ph)
    temperature = TEMPERATURE.require(temp_c)
    strength = positive(tds_mg_l, "the dissolved solids", "mg/L", zero=True) / 40000.0
    calcium = positive(calcium_mg_l, "the calcium hardness", "mg/L as CaCO3") / CACO3_G_MOL / 1e3
    alkalinity = positive(alkalinity_mg_l, "the alkalinity", "mg/L as CaCO3") / CACO3_G_MOL / 500.0
    pf = -math.log10(activity_coefficient(1, strength, temperature))
    saturated = (
        log_k_calcite(temperature)
        - log_k2(temperature)
        - math.log10(calcium)
        - math.log10(alkalinity)
        + 5.0 * pf
    )
    method = "Langelier index, Standard Methods 2330 B"
    return Derived(PH.require(ph) - saturated, "1", method, outside)


def langelier_index_short(
    ph: float | None,
    temp_c: float | None,
    *,
    calcium_mg_l: float | None,
    alkalinity_mg_l: float | None,
    tds_mg_l: float | None,
) -> Derived:
    """Give LSI by the trade's short formula: pHs = (9.3 + A + B) - (C + D).

    A = (log TDS - 1)/10, B = 34.55 - 13.12 log T(K), C = log Ca - 0.4, D = log alkalinity, both as
    CaCO3 (Carrier 1965; common practice). Same ranges; within 0.4 of the full form.
    """
    outside = PH.is_outside(ph)
    kelvin = TEMPERATURE.require(temp_c) + 273.0
    a = (math.log10(positive(tds_mg_l, "the dissolved solids", "mg/L")) - 1.0) / 10.0
    b = 34.55 - 13.12 * math.log10(kelvin)
    c = math.log10(positive(calcium_mg_l, "the calcium hardness", "mg/L as CaCO3")) - 0.4
    d = math.log10(positive(alkalinity_mg_l, "the alkalinity", "mg/L as CaCO3"))
    value = PH.require(ph) - ((9.3 + a + b) - (c + d))
    return Derived(value, "1", "Langelier index, short formula", outside)
