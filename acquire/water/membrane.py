"""Membranes: what a reverse-osmosis filter holds back, and its flow at another temperature.

Feed and product in one unit (µS/cm or mg/L). Rejection by conductivity and by TDS differ when the
factor k of the two waters differs: say which. Flow in any unit; temperature of the feed in °C.
"""

from __future__ import annotations

import math
from typing import Literal

from acquire.errors import WaterError
from acquire.water.inputs import Derived, Domain, positive

__all__ = [
    "CHALLENGE_PRESSURE_PSI",
    "CHALLENGE_TDS_MG_L",
    "FLOW_UNCERTAINTY",
    "LEAST_REDUCTION_PERCENT",
    "PRODUCT_TDS_MG_L",
    "flow_at_25",
    "flow_factor",
    "log_mean_factor",
    "passage_percent",
    "rated_flow_at",
    "rejection_percent",
    "temperature_correction",
]

Model = Literal["thin-film", "astm"]
TEMPERATURE = Domain("the temperature of the feed", "°C", 5.0, 35.0, 1.0, 45.0)
CHALLENGE_TDS_MG_L, PRODUCT_TDS_MG_L, LEAST_REDUCTION_PERCENT = 750.0, 187.0, 75.0
"""NSF/ANSI 58: TDS of the challenge water, most in the product, least reduction (from memory)."""
CHALLENGE_PRESSURE_PSI = 50.0
"""NSF/ANSI 58: inlet pressure of the test, by the description of a trade journal."""
FLOW_UNCERTAINTY = 0.05
"""Honest relative uncertainty of a temperature-normalised flow: the two models differ so much."""


def rejection_percent(feed: float | None, product: float | None) -> float:
    """Give 100 (1 - Cp/Cf); negative when the product holds more than the feed."""
    before = positive(feed, "the feed's value")
    return 100.0 * (1.0 - positive(product, "the product's value", zero=True) / before)


def passage_percent(feed: float | None, product: float | None) -> float:
    """Give the salt passage in %: 100 less the rejection."""
    return 100.0 - rejection_percent(feed, product)


def temperature_correction(temp_c: float | None) -> Derived:
    """Give TCF of thin-film membranes: rated flow at 25 °C / TCF = flow at `temp_c`.

    TCF = exp(3020 (1/(273+T) - 1/298)) below 25 °C, 2640 above: published thin-film charts (with
    273 and 298 as printed). 5 to 35 °C, marked from 1 to 45 °C.
    """
    outside = TEMPERATURE.is_outside(temp_c)
    t = TEMPERATURE.require(temp_c)
    energy = 3020.0 if t <= 25.0 else 2640.0
    value = math.exp(energy * (1.0 / (273.0 + t) - 1.0 / 298.0))
    return Derived(
        value, "1", "thin-film temperature chart, 3020 K below and 2640 K above", outside
    )


def flow_factor(temp_c: float | None, *, model: Model = "thin-film") -> Derived:
    """Give flow at `temp_c` over flow at 25 °C: 1/TCF, or ASTM D4516's default 1.03^(T-25).

    The two differ by 6 % at 15 °C: no normalised flow is surer than ±5 %.
    """
    match model:
        case "thin-film":
            chart = temperature_correction(temp_c)
            return Derived(1.0 / chart.value, "1", chart.method, chart.extrapolated)
        case "astm":
            outside = TEMPERATURE.is_outside(temp_c)
            value = math.pow(1.03, TEMPERATURE.require(temp_c) - 25.0)
            return Derived(value, "1", "ASTM D4516, default 1.03^(T-25)", outside)
        case _:
            raise WaterError(f"unknown flow model {str(model)[:20]!r}: thin-film or astm")


def flow_at_25(flow: float | None, temp_c: float | None, *, model: Model = "thin-film") -> Derived:
    """Give what a flow measured at `temp_c` would be at 25 °C, in its own unit, ±5 %."""
    factor = flow_factor(temp_c, model=model)
    value = positive(flow, "the flow", zero=True) / factor.value
    return Derived(value, "same unit", factor.method, factor.extrapolated)


def rated_flow_at(
    flow: float | None, temp_c: float | None, *, model: Model = "thin-film"
) -> Derived:
    """Give what a membrane rated `flow` at 25 °C makes at `temp_c`, in its own unit, ±5 %."""
    factor = flow_factor(temp_c, model=model)
    value = positive(flow, "the rated flow", zero=True) * factor.value
    return Derived(value, "same unit", factor.method, factor.extrapolated)


def log_mean_factor(recovery: float | None) -> float:
    """Give the log-mean feed-brine concentration over the feed's: ln(1/(1-Y))/Y, ASTM D4516.

    `recovery` Y is product over feed flow, a fraction, 0 to below 1.
    """
    share = Domain("the recovery", "(a fraction)", 0.0, 0.99).require(recovery)
    return 1.0 if share == 0 else -math.log1p(-share) / share
