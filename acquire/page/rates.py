"""How often somebody may come. Pure but for the clock it is given."""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable

__all__ = ["Rates"]

_ADDRESSES = 1024


class Rates:
    """A bucket for each address: filled with the time, emptied by what it asks."""

    def __init__(
        self, per_s: float, at_once: float, now: Callable[[], float] = time.monotonic
    ) -> None:
        self._per_s, self._at_once, self._now = per_s, at_once, now
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def takes(self, address: str) -> bool:
        """Whether one more may come from there now."""
        now = self._now()
        left, since = self._left.pop(address, (self._at_once, now))
        left = min(self._at_once, left + (now - since) * self._per_s)
        self._left[address] = (left - 1.0 if left >= 1.0 else left, now)
        while len(self._left) > _ADDRESSES:
            self._left.popitem(last=False)
        return left >= 1.0
