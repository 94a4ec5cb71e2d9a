"""Who in the daemon must keep moving, and when each last did: pure, the time is handed in.

A process that is alive is not yet one that works. A part that waits for something that may never
come (a meter's next reading) tells of each try; a part with nothing to do rests and is never late.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["Progress"]


@dataclass(slots=True)
class _Part:
    within_s: float
    moved_s: float | None
    """When it last moved; None while it has nothing to do."""


class Progress:
    """Parts by name, each with the time within which it must move again."""

    def __init__(self, now_s: Callable[[], float] = time.monotonic) -> None:
        """Use real seconds: what watches over us does not run faster for simulated meters."""
        self._now_s = now_s
        self._parts: dict[str, _Part] = {}

    def expect(self, part: str, within_s: float) -> None:
        """From now on `part` moves at least every `within_s` seconds (> 0)."""
        self._parts[part] = _Part(within_s, self._now_s())

    def beat(self, part: str) -> None:
        """It moved."""
        self._parts[part].moved_s = self._now_s()

    def rest(self, part: str) -> None:
        """It has nothing to do until its next beat."""
        self._parts[part].moved_s = None

    def excuse(self) -> None:
        """Give every part that is not at rest its whole time again."""
        now_s = self._now_s()
        for part in self._parts.values():
            if part.moved_s is not None:
                part.moved_s = now_s

    def late(self) -> list[str]:
        """Name the parts that have not moved in time, each with how long it stands."""
        now_s = self._now_s()
        return [
            f"{name} for {now_s - part.moved_s:.0f} s"
            for name, part in self._parts.items()
            if part.moved_s is not None and now_s - part.moved_s > part.within_s
        ]
