"""From particles counted in a field of view to particles in a millilitre.

Lengths in mm, areas in mm², volumes in mL (1 mL = 1000 mm³). The count's own interval comes from
`acquire.stats.counts`; a real drop varies by ±20 %, which outweighs most of what is computed here
(common practice, no source).
"""

from __future__ import annotations

import math

from acquire.errors import WaterError
from acquire.water.inputs import positive

__all__ = [
    "DROP_SPREAD",
    "concentration_in_chamber",
    "concentration_in_film",
    "field_area",
    "field_diameter",
    "film_depth",
    "scaled_diameter",
]

DROP_SPREAD = 0.20
"""Relative half-width of the volume of a drop from a pipette; common practice, no source."""


def field_diameter(field_number_mm: float, objective: float) -> float:
    """Give the diameter of the field in mm: field number of the eyepiece / objective."""
    number = positive(field_number_mm, "the field number", "mm")
    return number / positive(objective, "the objective's magnification")


def scaled_diameter(diameter_mm: float, *, magnification: float, new_magnification: float) -> float:
    """Give the field's diameter at another magnification: diameter x magnification is constant."""
    product = positive(diameter_mm, "the field's diameter", "mm") * positive(
        magnification, "the magnification"
    )
    return product / positive(new_magnification, "the new magnification")


def field_area(diameter_mm: float) -> float:
    """Give the area of the field in mm²: pi d²/4."""
    return math.pi * positive(diameter_mm, "the field's diameter", "mm") ** 2 / 4.0


def film_depth(drop_ml: float, cover_slip_mm: tuple[float, float]) -> float:
    """Give the depth in mm of a drop spread under a rectangular cover slip: volume / area."""
    width, height = (positive(side, "the cover slip's side", "mm") for side in cover_slip_mm)
    return 1000.0 * positive(drop_ml, "the drop", "mL") / (width * height)


def concentration_in_film(count: float, *, fields: int, area_mm2: float, depth_mm: float) -> float:
    """Give particles per mL from a count over so many fields of a film of even depth."""
    volume_mm3 = (
        _whole(fields, "the number of fields")
        * positive(area_mm2, "the field's area", "mm²")
        * positive(depth_mm, "the film's depth", "mm")
    )
    return 1000.0 * positive(count, "the count", zero=True) / volume_mm3


def concentration_in_chamber(
    count: float, *, squares: int, square_mm2: float, depth_mm: float = 0.1, dilution: float = 1.0
) -> float:
    """Give particles per mL from a chamber: count x dilution / (squares x area x depth)."""
    made = concentration_in_film(count, fields=squares, area_mm2=square_mm2, depth_mm=depth_mm)
    return made * positive(dilution, "the dilution")


def _whole(value: float, what: str) -> int:
    if value != int(positive(value, what)):
        raise WaterError(f"{what} must be a whole number, found {value:g}")
    return int(value)
