"""What a filter holds back, from conductivity at 25 °C, with its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass

from acquire.errors import WaterError
from acquire.water.dissolved_solids import NACL_FACTOR, TdsFactor, tds_of
from acquire.water.membrane import passage_percent

__all__ = ["PASSAGE_PER_C", "Performance", "performance"]

PASSAGE_PER_C = 0.012
"""Relative rise of a membrane's salt passage per °C at one pressure: salt crosses faster with
warmth than water does. Assumed (no source); half to twice as much is usual."""
_PASSAGE_PER_C_U = 0.006


@dataclass(frozen=True, slots=True)
class Performance:
    """One draw's performance. Passage is a fraction; u are standard uncertainties."""

    feed: float
    """EC25 in µS/cm."""
    product: float
    """EC25 in µS/cm."""
    passage: float
    """Cp/Cf by EC25; rejection is 1 - passage, and negative when the product holds more."""
    passage_u: float
    passage_25: float | None
    """The same carried to 25 °C; None without a temperature."""
    passage_25_u: float | None
    feed_tds: float
    """mg/L, by the factor that `tds_method` names."""
    product_tds: float
    tds_method: str

    @property
    def rejection_percent(self) -> float:
        """By EC25. By TDS it is the same number only while one factor is used for both waters."""
        return 100.0 * (1.0 - self.passage)

    @property
    def log_passage(self) -> float:
        return math.log(self.passage)


def performance(
    feed: float,
    feed_u: float,
    product: float,
    product_u: float,
    *,
    temp_c: float | None = None,
    factor: TdsFactor = NACL_FACTOR,
) -> Performance:
    """Hold the product of one draw against the feed.

    Args:
        feed: EC25 in µS/cm, above zero.
        feed_u: Its standard uncertainty.
        product: EC25 in µS/cm. At or below zero it cannot be told from none: WaterError.
        product_u: Its standard uncertainty.
        temp_c: Of the water, for the passage carried to 25 °C by PASSAGE_PER_C.
        factor: From EC25 to TDS, for both waters.

    """
    passage = passage_percent(feed, product) / 100.0
    if passage <= 0.0:
        raise WaterError("the product's conductivity is zero: the probe does not see this water")
    relative = math.hypot(feed_u / feed, product_u / product)
    at_25 = at_25_u = None
    if temp_c is not None and math.isfinite(temp_c):
        away = temp_c - 25.0
        at_25 = passage * math.exp(-PASSAGE_PER_C * away)
        at_25_u = at_25 * math.hypot(relative, _PASSAGE_PER_C_U * away)
    return Performance(
        feed,
        product,
        passage,
        passage * relative,
        at_25,
        at_25_u,
        tds_of(feed, factor).value,
        tds_of(product, factor).value,
        tds_of(feed, factor).method,
    )
