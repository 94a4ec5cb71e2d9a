"""How one report writes its numbers, times and names; what every part of it needs."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

from acquire.bench.comparison import Row
from acquire.outlets.words import shown_as_deserved
from acquire.quantities import Quantity
from acquire.report.gather import Gathered
from acquire.report.markup import Markup, tag
from acquire.report.redact import OPEN, Redaction

__all__ = ["MARKS", "View", "figures"]

MARKS = {"yes": "●", "no": "○", "cannot tell": "◐"}
"""A shape for each verdict, so that it is seen without colour; the word stands beside it."""


@dataclass(frozen=True, slots=True)
class View:
    """What is shown, and how."""

    all: Gathered
    quantities: Mapping[str, Quantity]
    redaction: Redaction = OPEN
    _numbers: Iterator[int] = field(default_factory=lambda: itertools.count(1), repr=False)

    def name_of_figure(self) -> str:
        """Give an id no other figure of the page has."""
        return f"figure-{next(self._numbers)}"

    def quantity(self, name: str) -> Quantity | None:
        return self.quantities.get(name)

    def label(self, name: str) -> str:
        known = self.quantities.get(name)
        return name if known is None else known.label

    def unit(self, name: str) -> str:
        known = self.quantities.get(name)
        return "" if known is None else known.shown_unit

    def water(self, name: str) -> str:
        """Give a water's name for a sentence, shown or replaced."""
        return self.redaction.water(name) or "a water without a name"

    def pair(self, quantity: str, value: float, u: float, *, with_unit: bool = True) -> str:
        """Value ± U, with the decimals the uncertainty deserves."""
        known = self.quantities.get(quantity)
        if known is None:
            return f"{figures(value, 4)} ± {figures(u)}"
        bare = known if with_unit else replace(known, shown_unit="")
        return shown_as_deserved(bare, value, u)

    def signed(self, quantity: str, value: float, u: float, *, with_unit: bool = True) -> str:
        """`pair` of a difference: with its sign."""
        text = self.pair(quantity, value, u, with_unit=with_unit)
        return text.replace("-", "−", 1) if text.startswith("-") else f"+{text}"

    def apart(self, row: Row, *, with_unit: bool = True) -> str:
        """The difference of a row with its sign; a dash where there is none."""
        if row.difference is None or row.expanded_u is None:
            return "–"
        return self.signed(row.quantity, row.difference, row.expanded_u, with_unit=with_unit)

    # -- time -------------------------------------------------------------------------------

    def moment(self, at_ms: int) -> datetime:
        """Local time, or UTC where a time zone would tell a place."""
        utc = datetime.fromtimestamp(at_ms / 1000, tz=UTC)
        return utc if self.redaction.hides_places else utc.astimezone()

    def day(self, at_ms: int) -> str:
        at = self.moment(at_ms)
        return f"{at.day} {at:%B %Y}"

    def clock(self, at_ms: int) -> str:
        return f"{self.moment(at_ms):%H:%M}"

    def zone(self, at_ms: int) -> str:
        offset = f"{self.moment(at_ms):%z}"
        return "UTC" if offset in {"", "+0000"} else f"UTC{offset[:3]}:{offset[3:]}"

    def time(self, at_ms: int) -> Markup:
        """A day as an element that programs read, too."""
        return tag("time", self.day(at_ms), datetime=f"{self.moment(at_ms):%Y-%m-%d}")


def figures(value: float, digits: int = 2) -> str:
    """Write a number with so many significant digits, never with an exponent."""
    if not math.isfinite(value) or value == 0:
        return "0" if value == 0 else "∞" if value > 0 else "not known"
    rounded = float(f"{value:.{digits}g}")
    places = max(0, digits - 1 - math.floor(math.log10(abs(rounded))))
    return f"{rounded:.{places}f}"
