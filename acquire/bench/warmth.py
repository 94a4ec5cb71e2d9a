"""What warmth alone can make of a difference between two waters that are not equally warm. Pure.

The waters are compared as they are: the interval of a difference is of what stands in the two
glasses. Whether the *waters* differ, or only how warm they are, is another question; so a "yes"
must be larger by what temperature can make of one and the same water:

* pH: 0.02 a °C. Neutral water goes from 7.47 at 0 °C to 7.00 at 25 °C, 0.019 a °C (half of pKw,
  IAPWS R11-07); buffers move less (phosphate 0.003, borax 0.008; IUPAC 2002).
* ORP: 3 mV a °C. ZoBell's solution falls by 2.5 mV a °C (Nordstrom 1977, as in Standard Methods
  2580); no poised water of a kitchen is known to fall faster (judgement).
* Conductivity at a reference temperature, and what follows from it: 0.5 % a °C. Natural waters
  change by 1.5 to 2.5 % a °C where meters take 2 % (common practice; ISO 7888 lies between). Where
  it is as it stands: 3 % a °C.
* Specific gravity: 0.0003 a °C, what water itself does at 25 to 30 °C (IAPWS-95; CIPM 2001).

Of other quantities nobody knows: where waters are apart, they cannot be told.
"""

from __future__ import annotations

import math

__all__ = ["LARGEST_C", "warmth_makes"]

LARGEST_C = 2.0
"""Waters further apart than this are not taken as equally warm (common practice, no source)."""
_BY = {"ph": 0.02, "orp": 3.0, "specific_gravity": 0.0003}
_IONIC = ("conductivity", "tds", "salinity")
_AT_REFERENCE, _AS_IT_STANDS = 0.005, 0.03


def warmth_makes(quantity: str, value: float, apart_c: float, *, is_compensated: bool) -> float:
    """Give how far one water can be from itself, in the quantity's unit, `apart_c` (°C) warmer.

    `value` is the larger of the two. 0 for temperature, and for waters that are equally warm or of
    whose warmth nothing is known (nan); infinite for a quantity of which nobody knows.
    """
    apart = abs(apart_c)
    if quantity == "temperature" or not apart > LARGEST_C:
        return 0.0
    if quantity in _BY:
        return _BY[quantity] * apart
    if quantity in _IONIC:
        return (_AT_REFERENCE if is_compensated else _AS_IT_STANDS) * apart * abs(value)
    return math.inf
