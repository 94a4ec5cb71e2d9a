"""The pH electrode: Nernst's slope, and what one, two or three buffers say about an electrode.

Potentials in mV, temperature in °C. A glass electrode gives E = E7 - s k(T) (pH - 7) with
k = ln 10 R T / F; s is the slope as a fraction of Nernst's, E7 the offset.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import linear_regression
from typing import Literal

from acquire.errors import WaterError
from acquire.water.constants import FARADAY, GAS_CONSTANT, ZERO_C_IN_K
from acquire.water.inputs import Domain, finite, positive

__all__ = [
    "ATTAINABLE_SD",
    "OFFSET_WINDOWS",
    "SLOPE_WINDOWS",
    "BufferReading",
    "Electrode",
    "Window",
    "evaluate_electrode",
    "judge_electrode",
    "nernst_slope",
    "ph_of_potential",
]

TEMPERATURE = Domain("the temperature", "°C", -5.0, 100.0)
ATTAINABLE_SD = 0.05
"""Standard deviation of pH that careful work attains, or less: ISO 10523:1994, introduction."""
PH = Domain("the pH of the buffer", "", 0.0, 14.0)


def nernst_slope(temp_c: float | None) -> float:
    """Give ln 10 R T / F in mV per pH (59.159 at 25 °C), CODATA constants; -5 to 100 °C."""
    kelvin = TEMPERATURE.require(temp_c) + ZERO_C_IN_K
    return 1000.0 * math.log(10) * GAS_CONSTANT * kelvin / FARADAY


@dataclass(frozen=True, slots=True)
class BufferReading:
    """One buffer: its pH at this temperature, and the potential the electrode showed."""

    ph: float
    mv: float


@dataclass(frozen=True, slots=True)
class Electrode:
    """What buffers say about an electrode at one temperature."""

    slope_percent: float | None
    """Percent of Nernst's slope; None from a single buffer."""
    offset_mv: float
    """Potential at pH 7, mV."""
    zero_ph: float | None
    """pH at which the electrode shows 0 mV; None without a slope."""
    worst_residual_mv: float
    """Largest distance of a buffer from the line, mV; 0 with fewer than three."""
    segments_percent: tuple[float, ...] = ()
    """Slope between neighbouring buffers, percent of Nernst's, acid side first."""


def evaluate_electrode(readings: Sequence[BufferReading], *, temp_c: float | None) -> Electrode:
    """Evaluate one, two or three (or more) buffers read at one temperature.

    One buffer gives the offset at pH 7, Nernst's slope assumed. Two give the line through them,
    more the least-squares line. WaterError for buffers closer together than 1 pH, where slope is
    mostly noise.
    """
    nernst = nernst_slope(temp_c)
    points = sorted(
        (PH.require(r.ph), finite(r.mv, "the electrode's potential", "mV")) for r in readings
    )
    if not points:
        raise WaterError("at least one buffer reading is needed")
    if len(points) == 1:
        ph, mv = points[0]
        return Electrode(None, mv + nernst * (ph - 7.0), None, 0.0)
    if points[-1][0] - points[0][0] < 1.0:
        raise WaterError("the buffers are less than 1 pH apart: use two that differ by 3 or so")
    fit = linear_regression([ph for ph, _ in points], [mv for _, mv in points])
    slope, offset = -fit.slope, fit.intercept + 7.0 * fit.slope
    if slope <= 0:
        raise WaterError("the potential rises with pH: the buffers or the wires are swapped")
    residual = max(abs(mv - offset + slope * (ph - 7.0)) for ph, mv in points)
    return Electrode(
        100.0 * slope / nernst,
        offset,
        7.0 + offset / slope,
        residual if len(points) > 2 else 0.0,
        _segments(points, nernst),
    )


def _segments(points: Sequence[tuple[float, float]], nernst: float) -> tuple[float, ...]:
    pairs = itertools.pairwise(points)
    return tuple(
        100.0 * (mv1 - mv2) / (ph2 - ph1) / nernst for (ph1, mv1), (ph2, mv2) in pairs if ph2 > ph1
    )


Verdict = Literal["good", "usable", "poor"]


@dataclass(frozen=True, slots=True)
class Window:
    """A range that is accepted, and by whom."""

    low: float
    high: float
    source: str


# What is accepted in print, narrowest first.
SLOPE_WINDOWS = {
    "good": Window(95.0, 101.0, "USGS National Field Manual, chapter A6.4"),
    "usable": Window(95.0, 105.0, "common laboratory practice (from memory)"),
}
OFFSET_WINDOWS = {
    "good": Window(-15.0, 15.0, "common laboratory practice (from memory)"),
    "usable": Window(-30.0, 30.0, "common laboratory practice (from memory)"),
}


def judge_electrode(found: Electrode) -> tuple[Verdict, tuple[str, ...]]:
    """Say whether an electrode is good, usable or poor, with the arithmetic and whose rule it is.

    Slope 95 to 101 % of Nernst is good (USGS), to 105 % usable; offset ±15 mV good, ±30 mV usable
    (common laboratory practice, from memory).
    """
    reasons: list[str] = []
    verdicts = [_place(found.offset_mv, OFFSET_WINDOWS, "offset at pH 7", "mV", reasons)]
    if found.slope_percent is None:
        reasons.append("slope not known: one buffer shows only the offset, take a second")
        verdicts.append("usable")
    else:
        verdicts.append(_place(found.slope_percent, SLOPE_WINDOWS, "slope", "% of Nernst", reasons))
    if len(found.segments_percent) > 1:
        apart = max(found.segments_percent) - min(found.segments_percent)
        reasons.append(f"the slopes between neighbouring buffers differ by {apart:.1f} %")
    worst = max(verdicts, key=("good", "usable", "poor").index)
    return worst, tuple(reasons)


def _place(
    value: float, windows: dict[str, Window], what: str, unit: str, reasons: list[str]
) -> Verdict:
    for verdict in ("good", "usable"):
        window = windows[verdict]
        if window.low <= value <= window.high:
            reasons.append(
                f"{what} {value:.1f} {unit} is within {window.low:g} to {window.high:g} "
                f"({window.source})"
            )
            return "good" if verdict == "good" else "usable"
    widest = windows["usable"]
    reasons.append(
        f"{what} {value:.1f} {unit} is outside {widest.low:g} to {widest.high:g} ({widest.source})"
    )
    return "poor"


def ph_of_potential(mv: float, electrode: Electrode, *, temp_c: float | None) -> float:
    """Give the pH an evaluated electrode shows for a potential in mV at `temp_c`."""
    slope = positive(electrode.slope_percent or 100.0, "the slope", "% of Nernst") / 100.0
    potential = finite(mv, "the electrode's potential", "mV")
    return 7.0 - (potential - electrode.offset_mv) / (slope * nernst_slope(temp_c))
