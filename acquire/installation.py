"""[watch.NAME]: a point of an installation and what is known of it."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from acquire.errors import ConfigError

__all__ = ["WatchConfig", "require_known"]

_Level = Annotated[float, Field(gt=0, le=200_000, allow_inf_nan=False)]


class WatchConfig(BaseModel):
    """[watch.NAME]"""

    model_config = ConfigDict(frozen=True, extra="forbid")

    product: str
    """The meter behind the filter."""
    feed: str | None = None
    """The meter before it; or one of the two that follow."""
    feed_water: str | None = Field(default=None, min_length=1, max_length=80)
    """The water of a round whose last capture says what the feed is."""
    feed_us_cm: _Level | None = None
    """Or its conductivity at 25 °C, as it was measured once."""
    flow: str | None = None
    """The quantity of the product's meter that is the flow, in L/min."""
    litres_a_day: Annotated[float, Field(gt=0, le=10_000)] | None = None
    """Where no flow is measured: what the house draws."""
    least_rejection_percent: Annotated[float, Field(gt=0, lt=100)] | None = None
    most_product_us_cm: _Level | None = None
    product_gain: Annotated[float, Field(ge=0.5, le=2.0)] = 1.0
    """What the product's probe is multiplied by to agree with the feed's: `ouzel watch compare`."""
    cartridge_installed: date | None = None
    membrane_installed: date | None = None
    capacity_litres: Annotated[float, Field(gt=0, le=10_000_000)] | None = None
    lasts_days: Annotated[int, Field(gt=0, le=7300)] | None = None
    warn_days: Annotated[int, Field(gt=0, le=365)] = 14
    """So many days before the end it is said that the filter will be due."""
    warn_litres: Annotated[float, Field(gt=0, le=1_000_000)] | None = None
    captures: bool = True
    """Whether the bench also takes captures from the meters of this watch under `ouzel serve`."""

    @model_validator(mode="after")
    def _is_whole(self) -> Self:
        feeds = (self.feed, self.feed_water, self.feed_us_cm)
        if sum(one is not None for one in feeds) != 1:
            raise PydanticCustomError(
                "watch",
                "what the product is held against must be said once",
                {"allowed": "one of feed, feed_water, feed_us_cm"},
            )
        if self.least_rejection_percent is None and self.most_product_us_cm is None:
            raise PydanticCustomError(
                "watch",
                "nobody said when the filter is spent",
                {"allowed": "least_rejection_percent, most_product_us_cm or both"},
            )
        return self


def require_known(
    watches: Mapping[str, WatchConfig],
    meters: Collection[str],
    quantities: Mapping[str, Any],
    path: Path | None,
) -> None:
    """ConfigError where a watch names a meter or quantity that there is not."""
    for name, watch in watches.items():
        for key, said, allowed in (
            ("product", watch.product, meters),
            ("feed", watch.feed, meters),
            ("flow", watch.flow, quantities),
        ):
            if said is not None and said not in allowed:
                raise ConfigError(
                    "no such quantity" if key == "flow" else "no such meter",
                    file=path,
                    key=f"watch.{name}.{key}",
                    found=said,
                    allowed=", ".join(allowed) or "a meter under [meters.NAME]",
                )
        if watch.flow is not None and quantities[watch.flow].unit != "L/min":
            raise ConfigError(
                "the flow is not in L/min",
                file=path,
                key=f"watch.{name}.flow",
                found=quantities[watch.flow].unit,
                allowed="a quantity whose unit is L/min",
            )
