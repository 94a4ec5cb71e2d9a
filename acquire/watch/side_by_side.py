"""Do two probes say the same of one water? From captures of both, taken side by side."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from acquire.readings import Capture, CaptureState, SettledValue

__all__ = ["Agreement", "agreement"]

_APART_MS = 24 * 3_600_000


@dataclass(frozen=True, slots=True)
class Agreement:
    """What the product's probe is to be multiplied by to agree with the feed's."""

    water: str
    at_ms: int
    product: float
    """EC25 in µS/cm, as that probe said."""
    feed: float
    gain: float
    u: float
    """Standard uncertainty of the gain."""

    @property
    def differs(self) -> bool:
        """Whether the difference is more than the two settled values leave open (95 %)."""
        return abs(self.gain - 1.0) > 2.0 * self.u


def agreement(product: Iterable[Capture], feed: Iterable[Capture]) -> Agreement | None:
    """Give the latest pair in one water within a day; None when there is none.

    Captures newest first. Both in final state, both with a settled conductivity.
    """
    others = [(one, value) for one in feed if (value := _ec25(one)) is not None]
    for mine in product:
        said = _ec25(mine)
        if said is None:
            continue
        near = [
            (one, value)
            for one, value in others
            if one.water == mine.water and abs(one.taken.at_ms - mine.taken.at_ms) <= _APART_MS
        ]
        if near:
            one, value = min(near, key=lambda pair: abs(pair[0].taken.at_ms - mine.taken.at_ms))
            gain = value.value / said.value
            u = gain * math.hypot(
                value.expanded_u / value.value / 2.0, said.expanded_u / said.value / 2.0
            )
            at_ms = max(mine.taken.at_ms, one.taken.at_ms)
            return Agreement(mine.water, at_ms, said.value, value.value, gain, u)
    return None


def _ec25(capture: Capture) -> SettledValue | None:
    value = capture.derived.get("conductivity") or capture.values.get("conductivity")
    if capture.state is not CaptureState.FINAL or not capture.water or value is None:
        return None
    return value if value.phase == "settled" and value.value > 0 else None
