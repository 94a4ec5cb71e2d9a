"""Solutions from the kitchen: what pH they should have, and how sure that is.

They check whether a probe is roughly alive; they calibrate nothing. Each result carries a
tolerance that covers what is in the bottle, not only the chemistry.
"""

from __future__ import annotations

from dataclasses import dataclass

from acquire.water.equilibrium import Composition, log_kw, ph_of
from acquire.water.inputs import Domain, finite

__all__ = ["ExpectedPh", "air_water", "baking_soda", "pure_water_ph", "vinegar"]

ACETIC_G_MOL, NAHCO3_G_MOL = 60.052, 84.007
_ACIDITY = Domain("the acidity of the vinegar", "% w/v", 0.1, 10.0, 0.001, 25.0)
_DILUTION = Domain("the dilution", "volumes in all", 1.0, 10_000.0)
_SODA = Domain("the baking soda", "g per kg of water", 0.1, 60.0, 0.001, 60.0)
_CO2 = Domain("carbon dioxide in the air", "ppm", 200.0, 5000.0, 0.0, 1e6)


@dataclass(frozen=True, slots=True)
class ExpectedPh:
    """A computed pH with the honest ± for what a kitchen can make."""

    value: float
    tolerance: float
    method: str
    note: str
    extrapolated: bool = False


def vinegar(
    acidity_percent: float | None, *, dilution: float = 1.0, temp_c: float | None = 25.0
) -> ExpectedPh:
    """Give the pH of vinegar of a labelled acidity (% w/v acetic acid), diluted `dilution`-fold.

    1 part of vinegar in 20 parts of the mixture is a dilution of 20. Acetic acid, pKa 4.756 at
    25 °C (Harned & Ehlers 1933), computed as free acid in pure water; 0 to 50 °C. ±0.1: real
    vinegar holds salts, and its label is rounded, which counts little: 4 to 6 % spans 0.09 pH.
    """
    outside = _ACIDITY.is_outside(acidity_percent)
    parts = _DILUTION.require(dilution)
    acid = finite(acidity_percent, "the acidity of the vinegar") * 10.0 / ACETIC_G_MOL / parts
    value = ph_of(Composition(acetate=acid), temp_c)
    return ExpectedPh(
        value,
        0.1 if parts <= 20 else 0.2,
        f"acetic acid {acid:.3g} mol/L, pKa by Harned & Ehlers 1933",
        "tap water instead of pure water raises the pH of a diluted vinegar",
        outside,
    )


def baking_soda(
    g_per_kg_water: float | None, *, temp_c: float | None = 25.0, co2_ppm: float | None = None
) -> ExpectedPh:
    """Give the pH of sodium bicarbonate in pure water, up to 60 g/kg, 0 to 50 °C.

    Freshly made and closed by default; with `co2_ppm` after it has come to equilibrium with air
    holding that much CO2, which takes days. Plummer & Busenberg 1982 with ion pairs and activity
    coefficients; 1 % gives about 8.0, not the 8.3 of the very dilute limit. ±0.3: it drifts up
    from the first minute as CO2 leaves, and packets hold some carbonate.
    """
    outside = _SODA.is_outside(g_per_kg_water)
    amount = finite(g_per_kg_water, "the baking soda") / NAHCO3_G_MOL
    air = None if co2_ppm is None else _CO2.require(co2_ppm) * 1e-6
    water = Composition(sodium=amount, carbonate=amount, co2_atm=air)
    state = "fresh, closed" if air is None else f"at rest with {co2_ppm:g} ppm CO2"
    return ExpectedPh(
        ph_of(water, temp_c),
        0.3,
        f"NaHCO3 {amount:.3g} mol/kg, {state}; Plummer & Busenberg 1982",
        "measure within minutes of mixing: it rises as carbon dioxide leaves",
        outside,
    )


def air_water(*, co2_ppm: float | None = 425.0, temp_c: float | None = 25.0) -> ExpectedPh:
    """Give the pH of pure water that has taken up the air's CO2 (ppm by volume), 0 to 50 °C.

    About 5.6. ±0.5: a room holds 400 to 2000 ppm, and a probe in water without buffering reads
    badly. Never a pH check.
    """
    outside = _CO2.is_outside(co2_ppm)
    pressure = finite(co2_ppm, "carbon dioxide in the air") * 1e-6
    return ExpectedPh(
        ph_of(Composition(co2_atm=pressure), temp_c),
        0.5,
        f"water with {co2_ppm:g} ppm CO2 at 1 atm; Plummer & Busenberg 1982",
        "water this pure has no buffering: no check of a pH probe",
        outside,
    )


def pure_water_ph(temp_c: float | None = 25.0) -> float:
    """Give the neutral pH, half of pKw: 7.00 at 25 °C, 7.47 at 0 °C; 0 to 50 °C."""
    return -0.5 * log_kw(finite(temp_c, "the water temperature", "°C"))
