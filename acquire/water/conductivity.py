"""Conductivity and temperature: what a meter has compensated, undone and redone.

Conductivity in µS/cm, temperature in °C. A compensation turns what was measured at `temp_c` into
what the same water would show at a reference temperature. A value that a meter has compensated is
never compensated again: `recompensate` first undoes what was done, then does what is wanted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from acquire.errors import WaterError
from acquire.readings import Channel
from acquire.water.inputs import Derived, Domain, finite, positive
from acquire.water.tables import lagrange

__all__ = [
    "NATURAL_25",
    "RAW",
    "Compensation",
    "alpha_at",
    "alpha_between",
    "cell_constant",
    "compensation_of",
    "interlaboratory",
    "iso7888_factor",
    "linear_factor",
    "recompensate",
    "to_raw",
    "to_reference",
]

TEMPERATURE = Domain("the water temperature", "°C", 0.0, 50.0, -2.0, 100.0)
ISO_TEMPERATURE = Domain("the water temperature", "°C", 0.0, 35.9, -0.5, 50.0)
ISO_LEVEL_US_CM = (60.0, 1000.0)  # EC25 of the natural waters the standard was fitted to
F25_AT_20 = 1.116  # the standard's own quotient between its two reference temperatures

# ISO 7888:1985 (EN 27888), as fitted by the viscosity formula of its annex.
_A, _B, _C, _D = -0.198058, -1.992186, 231.17628, 86.39123
_FRACTION, _POWER, _NORM = 0.962144, 0.965078, 1.000423


@dataclass(frozen=True, slots=True)
class Compensation:
    """What was done, or is wanted, to a conductivity: nothing, linear, ISO 7888, or unknown.

    `alpha` is a fraction per °C (0.02 is 2 %/°C) and belongs to `reference_c`: the same water has
    another alpha at another reference, see `alpha_at`.
    """

    kind: Literal["none", "linear", "iso7888", "unknown"]
    reference_c: float | None = None
    alpha: float | None = None

    def __post_init__(self) -> None:
        if self.kind == "none":
            return
        TEMPERATURE.require(self.reference_c)
        if self.kind == "linear":
            alpha = positive(
                self.alpha, "the temperature coefficient", "fraction per °C", zero=True
            )
            if alpha > 0.1:
                raise WaterError(
                    f"the temperature coefficient is a fraction per °C (0.02 for 2 %/°C), "
                    f"found {alpha:g}"
                )

    def __str__(self) -> str:
        match self.kind:
            case "none":
                return "not compensated"
            case "linear":
                return f"linear {100 * (self.alpha or 0):.3g} %/°C to {self.reference_c:g} °C"
            case "iso7888":
                return f"ISO 7888 natural water to {self.reference_c:g} °C"
            case _:
                return f"to {self.reference_c:g} °C, by an unknown rule"


RAW = Compensation("none")
NATURAL_25 = Compensation("iso7888", 25.0)


def compensation_of(channel: Channel) -> Compensation:
    """Tell what the meter has already done, from its profile's channel."""
    if channel.reference_c is None:
        return RAW
    if channel.coefficient is None:
        return Compensation("unknown", channel.reference_c)
    return Compensation("linear", channel.reference_c, channel.coefficient)


def linear_factor(temp_c: float | None, *, alpha: float, reference_c: float = 25.0) -> float:
    """Give EC_ref / EC_T = 1 / (1 + alpha (T - ref)), alpha a fraction per °C.

    Usual alpha 0.019 to 0.02, 0.005 to 0.03 over all waters (common practice). Holds over some
    ±10 °C; conductivity truly curves with temperature.
    """
    number = TEMPERATURE.require(temp_c)
    slope = 1.0 + finite(alpha, "the temperature coefficient") * (number - reference_c)
    if slope <= 0.05:
        raise WaterError(
            f"alpha {alpha:g}/°C over {number - reference_c:g} °C leaves no conductivity: "
            "use a smaller coefficient or a temperature nearer the reference"
        )
    return 1.0 / slope


def iso7888_factor(temp_c: float | None, *, reference_c: float = 25.0) -> Derived:
    """Give EC_ref / EC_T for natural waters: ISO 7888:1985 (EN 27888), 0 to 35.9 °C.

    f25 = 1.116 [(1-a) + a eta^n] / 1.000423 with eta = A + exp(B + C / (T + D)): the whole table
    of the standard within 0.001. To 20 °C it is f25 / 1.116, the standard's own quotient. Made for
    ground, spring and surface waters of about 60 to 1000 µS/cm; pure water, brine and standards of
    potassium chloride follow other laws. Up to 50 °C it is given, marked as extrapolated.
    """
    outside = ISO_TEMPERATURE.is_outside(temp_c)
    factor = _f25(finite(temp_c, "the water temperature"))
    ISO_TEMPERATURE.require(reference_c)
    if reference_c == 20.0:
        factor /= F25_AT_20
    elif reference_c != 25.0:
        factor /= _f25(reference_c)
    return Derived(factor, "1", f"ISO 7888 f{reference_c:g}", outside)


def _f25(temp_c: float) -> float:
    eta = _A + math.exp(_B + _C / (temp_c + _D))
    return float(F25_AT_20 * ((1 - _FRACTION) + _FRACTION * eta**_POWER) / _NORM)


def to_reference(ec_us_cm: float | None, temp_c: float | None, wanted: Compensation) -> Derived:
    """Compensate a raw conductivity measured at `temp_c`; both in µS/cm."""
    level = positive(ec_us_cm, "the conductivity", "µS/cm", zero=True)
    factor, outside = _factor(temp_c, wanted)
    value = level * factor
    return Derived(value, "uS/cm", str(wanted), outside or _beyond_iso(value, wanted))


def to_raw(ec_us_cm: float | None, temp_c: float | None, said: Compensation) -> Derived:
    """Undo a compensation: what the water truly conducted at `temp_c`, in µS/cm.

    WaterError when it is not known what the meter did.
    """
    level = positive(ec_us_cm, "the conductivity", "µS/cm", zero=True)
    factor, outside = _factor(temp_c, said)
    return Derived(level / factor, "uS/cm", f"undone: {said}", outside or _beyond_iso(level, said))


def recompensate(
    ec_us_cm: float | None, temp_c: float | None, *, said: Compensation, wanted: Compensation
) -> Derived:
    """Turn what a meter said into another compensation, undoing its own first; µS/cm.

    When both are the same the value is left alone and no temperature is needed.
    """
    level = positive(ec_us_cm, "the conductivity", "µS/cm", zero=True)
    if said == wanted:
        return Derived(level, "uS/cm", f"as the meter said: {said}")
    raw = to_raw(level, temp_c, said)
    done = to_reference(raw.value, temp_c, wanted)
    return Derived(
        done.value, "uS/cm", f"{said}, redone: {wanted}", raw.extrapolated or done.extrapolated
    )


def _factor(temp_c: float | None, compensation: Compensation) -> tuple[float, bool]:
    match compensation.kind:
        case "none":
            return 1.0, False
        case "linear":
            assert compensation.alpha is not None and compensation.reference_c is not None  # noqa: S101, PT018
            factor = linear_factor(
                temp_c, alpha=compensation.alpha, reference_c=compensation.reference_c
            )
            return factor, TEMPERATURE.is_outside(temp_c)
        case "iso7888":
            found = iso7888_factor(temp_c, reference_c=compensation.reference_c or 0.0)
            return found.value, found.extrapolated
        case _:
            raise WaterError(
                f"the meter compensates to {compensation.reference_c:g} °C by a rule its profile "
                "does not give: set `coefficient` there (fraction per °C) to undo it"
            )


def _beyond_iso(ec_ref: float, compensation: Compensation) -> bool:
    low, high = ISO_LEVEL_US_CM
    return compensation.kind == "iso7888" and not low <= ec_ref <= high


def alpha_between(ec_ref: float, ec_t: float, temp_c: float, *, reference_c: float = 25.0) -> float:
    """Give the mean coefficient of one water, a fraction of `ec_ref` per °C."""
    base = positive(ec_ref, "the conductivity at the reference", "µS/cm")
    other = positive(ec_t, "the conductivity at the other temperature", "µS/cm")
    apart = TEMPERATURE.require(temp_c) - reference_c
    if apart == 0:
        raise WaterError("two different temperatures are needed to find a coefficient")
    return (other / base - 1.0) / apart


def alpha_at(alpha: float, *, reference_c: float, new_reference_c: float) -> float:
    """Carry a linear coefficient to another reference: the same straight line, another base.

    alpha' = alpha / (1 + alpha (new - old)): 2 %/°C at 25 °C is 2.22 %/°C at 20 °C.
    """
    return alpha * linear_factor(new_reference_c, alpha=alpha, reference_c=reference_c)


def cell_constant(old_per_cm: float, *, standard_us_cm: float, reading_us_cm: float) -> float:
    """Give the new cell constant in 1/cm: old x standard / reading, both at one temperature."""
    old = positive(old_per_cm, "the cell constant", "1/cm")
    expected = positive(standard_us_cm, "the standard's conductivity", "µS/cm")
    return old * expected / positive(reading_us_cm, "the reading", "µS/cm")


# US EPA method 120.1 (1982) section 4.1, 41 analysts in 17 laboratories: level, standard
# deviation between laboratories (µS/cm), bias (%). The four levels between are from memory.
_LEVELS = (100.0, 106.0, 808.0, 848.0, 1640.0, 1710.0)
_DEVIATIONS = (7.55, 8.14, 66.1, 79.6, 106.0, 119.0)
_BIASES = (-2.02, -0.76, -3.63, -4.54, -5.36, -5.08)


def interlaboratory(level_us_cm: float) -> tuple[float, float, bool]:
    """Give what laboratories achieve: standard deviation in µS/cm, bias in %, extrapolated.

    US EPA method 120.1 (1982) section 4.1, in a straight line between its levels of 100 to 1710
    µS/cm. Outside, the relative deviation and the bias of the nearest level, marked.
    """
    level = positive(level_us_cm, "the conductivity", "µS/cm")
    near = min(max(level, _LEVELS[0]), _LEVELS[-1])
    deviation = lagrange(_LEVELS, _DEVIATIONS, near, points=2) * level / near
    return deviation, lagrange(_LEVELS, _BIASES, near, points=2), near != level
