"""Two waters side by side: what differs, and how sure that is. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from acquire.readings import Capture, SettledValue

__all__ = ["Difference", "side_by_side"]


@dataclass(frozen=True, slots=True)
class Difference:
    """One quantity in two waters, both taken with the same meter.

    `expanded_u` is the 95 % uncertainty of the difference from settling alone: noise, resolution
    and remaining change of both values, taken as independent. A fixed error of the meter (offset)
    cancels in the difference; an error in proportion (gain) does not and is not in here.
    """

    quantity: str
    reference: SettledValue
    subject: SettledValue
    difference: float
    expanded_u: float

    @property
    def is_resolved(self) -> bool:
        """The difference is larger than its uncertainty."""
        return abs(self.difference) > self.expanded_u


def side_by_side(reference: Capture, subject: Capture) -> Iterable[Difference]:
    """Give subject minus reference for every quantity that settled in both."""
    for quantity, here in reference.values.items():
        there = subject.values.get(quantity)
        if there is None or here.phase != "settled" or there.phase != "settled":
            continue
        u = math.hypot(here.expanded_u, there.expanded_u)
        yield Difference(quantity, here, there, there.value - here.value, u)
