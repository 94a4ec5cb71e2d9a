"""The chemistry and physics of water: pure functions, one file a subject.

Every formula names its source, its unit and the range it is valid for. Outside that range a result
is either refused with `WaterError`, which says what is needed, or marked `extrapolated`.
"""

from __future__ import annotations
