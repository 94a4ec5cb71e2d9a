"""pH buffers against temperature: two families that do not mix.

The primary standards (NIST, IUPAC 2002) have a phosphate of 6.865 at 25 °C; technical buffers are
made to read round numbers at 25 °C (7.00, 10.01) and drift otherwise with temperature. A meter set
with one family and checked with the other shows an error that is not there.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from acquire.errors import WaterError
from acquire.water.inputs import Derived
from acquire.water.tables import Table

__all__ = ["PRIMARY", "TECHNICAL", "Family", "buffer_ph"]

Family = Literal["primary", "technical"]

_IUPAC = (
    "IUPAC Recommendations 2002 (Buck et al., Pure Appl. Chem. 74, 2169) / NIST primary pH(S); "
    "third decimal from memory, two decimals as in JIS Z 8802"
)
_T = (0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 37.0, 40.0, 50.0)


def _primary(what: str, temps: tuple[float, ...], *values: float) -> Table:
    return Table(f"the {what} buffer", "[pH]", _IUPAC, temps, values)


PRIMARY: Mapping[str, Table] = {
    "tartrate": _primary(
        "tartrate", (25.0, 30.0, 35.0, 37.0, 40.0, 50.0), 3.557, 3.552, 3.549, 3.548, 3.547, 3.549
    ),
    "citrate": _primary(
        "citrate", _T, 3.863, 3.840, 3.820, 3.802, 3.788, 3.776, 3.766, 3.759, 3.756, 3.754, 3.749
    ),
    "phthalate": _primary(
        "phthalate", _T, 4.000, 3.998, 3.997, 3.998, 4.000, 4.005, 4.011, 4.018, 4.022, 4.027, 4.050
    ),
    "phthalate-1977": Table(
        "the phthalate buffer", "[pH]",
        "Hetzer, Durst, Robinson & Bates, J. Res. NBS 81A (1977) 21, as in DIN 19266 (from memory)",
        (0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 50.0),
        (4.010, 4.004, 4.000, 3.999, 4.001, 4.006, 4.012, 4.021, 4.031, 4.043, 4.057),
    ),
    "phosphate": _primary(
        "phosphate", _T, 6.984, 6.951, 6.923, 6.900, 6.881, 6.865, 6.853, 6.844, 6.841, 6.838, 6.833
    ),
    "phosphate-1-3.5": _primary(
        "phosphate 1:3.5", _T,
        7.534, 7.500, 7.472, 7.448, 7.429, 7.413, 7.400, 7.389, 7.386, 7.380, 7.367,
    ),
    "borate": _primary(
        "borate", _T, 9.464, 9.395, 9.332, 9.276, 9.225, 9.180, 9.139, 9.102, 9.088, 9.068, 9.011
    ),
    "carbonate": _primary(
        "carbonate", _T,
        10.317, 10.245, 10.179, 10.118, 10.062, 10.012, 9.966, 9.926, 9.910, 9.889, 9.828,
    ),
}  # fmt: skip
"""The primary standards, ±0.01 (the third decimal is from memory)."""

_TECH = (
    "technical (US) buffer table of an instrument manual; 10, 20, 35 °C and all of 4.01 from memory"
)
_TT = (0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0)
TECHNICAL: Mapping[str, Table] = {
    "4.01": Table(
        "the 4.01 buffer", "[pH]", _TECH, _TT,
        (4.00, 4.00, 4.00, 4.00, 4.00, 4.01, 4.01, 4.02, 4.03),
    ),
    "7.00": Table(
        "the 7.00 buffer", "[pH]", _TECH, _TT,
        (7.12, 7.09, 7.06, 7.04, 7.02, 7.00, 6.99, 6.98, 6.97),
    ),
    "10.01": Table(
        "the 10.01 buffer", "[pH]", _TECH, _TT,
        (10.32, 10.25, 10.18, 10.12, 10.06, 10.01, 9.97, 9.93, 9.89),
    ),
}  # fmt: skip
"""Technical buffers by their name at 25 °C, ±0.02 (the makers' usual statement)."""


def buffer_ph(family: Family, name: str, temp_c: float | None) -> Derived:
    """Give the pH of a buffer at a temperature; WaterError names the buffers of a family.

    Primary: 0 to 50 °C (tartrate 25 to 50 °C); technical: 0 to 40 °C.
    """
    match family:
        case "primary":
            tables = PRIMARY
        case "technical":
            tables = TECHNICAL
        case _:
            raise WaterError(
                f"unknown family of buffers {str(family)[:20]!r}: primary or technical"
            )
    if name not in tables:
        raise WaterError(f"no {family} buffer {name[:20]!r}: known are {', '.join(tables)}")
    return tables[name].at(temp_c)
