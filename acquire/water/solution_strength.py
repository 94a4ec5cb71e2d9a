"""What a pH solution conducts at least, from what it is made of: most waters conduct less.

Of a conductivity standard its value says it. Lower bounds: what is left out adds to them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from acquire.errors import WaterError
from acquire.water.ions import IONS, conductivity_of_ions, salt_to_ions
from acquire.water.solutions import Expectation, Solution, expected_reading

__all__ = ["CATIONS", "least_conductivity"]

CATIONS: Mapping[tuple[str, str], Mapping[str, float]] = {
    ("primary", "tartrate"): {"K": 0.034},
    ("primary", "citrate"): {"K": 0.05},
    ("primary", "phthalate"): {"K": 0.05},
    ("primary", "phthalate-1977"): {"K": 0.05},
    ("primary", "phosphate"): {"Na": 0.05, "K": 0.025},
    ("primary", "phosphate-1-3.5"): {"Na": 0.06086, "K": 0.008695},
    ("primary", "borate"): {"Na": 0.02},
    ("primary", "carbonate"): {"Na": 0.075},
    ("technical", "4.01"): {"K": 0.05},
    ("technical", "7.00"): {"Na": 0.05, "K": 0.025},
    ("technical", "10.01"): {"Na": 0.075},
}
"""mol/kg of the cations in a buffer, by family and name.

Primary: IUPAC Recommendations 2002 (Buck et al., Pure Appl. Chem. 74, 2169), from memory.
Technical: the same salts in about the same amounts; common practice, no source.
"""
_HYDROGEN, _ACETATE = 349.65, 40.9
"""S cm²/mol at 25 °C and infinite dilution: CRC Handbook of Chemistry and Physics, from memory."""


def least_conductivity(solution: Solution) -> float | None:
    """Give what a pH solution conducts at least at 25 °C, µS/cm; None of other solutions.

    Buffers: their cations alone, the anions add a third or more. Vinegar: its free acid, without
    its salts. Baking soda: all of it.
    """
    found = [_least(solution, one) for one in solution.expects if one.quantity == "ph"]
    return min((least for least in found if least is not None), default=None)


def _least(solution: Solution, one: Expectation) -> float | None:
    match one.formula:
        case "buffer":
            moles = CATIONS[str(one.given["family"]), str(one.given["name"])]
            mg_l = {name: 1000.0 * IONS[name].mass * amount for name, amount in moles.items()}
            return conductivity_of_ions(mg_l).value
        case "baking-soda":
            soda = {"NaHCO3": 1000.0 * float(one.given["g_per_kg_water"])}
            try:
                return conductivity_of_ions(salt_to_ions(soda)).value
            except WaterError:  # stronger than the formula goes: far above any water
                return None
        case "vinegar":
            acid = math.pow(10.0, -expected_reading(solution, "ph", 25.0).value)
            return 1000.0 * acid * (_HYDROGEN + _ACETATE)
    return None
