"""The electrodes together: do they float in air, or are they at rest in a water?"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

from acquire.immersion.trail import Trail

__all__ = ["FLOATS", "Electrodes"]

FLOATS = 0.5
"""Share of turns above which an electrode is taken for an open input."""
QUIET_S = 9.0
"""Time without a turn that says two electrodes are in a water, when nothing else does."""
QUIET_ALONE_S = 14.0
"""The same of one electrode."""


class Electrodes:
    """The trails of pH and ORP, those of them that the meter has."""

    def __init__(self, trails: Sequence[Trail]) -> None:
        self.trails = trails
        self._quiet_s = QUIET_S if len(trails) > 1 else QUIET_ALONE_S

    def __bool__(self) -> bool:
        return bool(self.trails)

    @property
    def are_heard(self) -> bool:
        """Whether enough was read of every one to tell."""
        return all(trail.heard for trail in self.trails)

    def floating(self) -> float:
        """Give the share of turns of the livelier one: towards 1 in air."""
        return max((trail.floating for trail in self.trails if trail.heard), default=0.0)

    def bent_s(self) -> float:
        """Give the time of the last turn that none makes in a water while it settles."""
        return max((trail.bent_s for trail in self.trails), default=-inf)

    def are_quiet(self, t: float, dt: float = 0.0) -> bool:
        """Say whether none has turned for so long that they must be in a water."""
        return t - self.bent_s() >= self._quiet_s + 2.0 * dt
