"""Follows a probe from air to water to the next water.

readings ── trail (each channel: how far from where it was) ─┬─ departure (another water?)
                                                             ├─ electrodes (do they float?)
         └─ wetness (conductivity: film, flat, risen) ───────┴─ follower: Immersion ── Place
"""

from __future__ import annotations

from acquire.immersion.follower import Immersion, Medium, Place

__all__ = ["Immersion", "Medium", "Place"]
