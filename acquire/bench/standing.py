"""How an immersion stands at a moment, and what a settler must be able to say. Frozen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from acquire.checks import StandingCorrection
from acquire.readings import Capture, Channel, Event, Flag, Phase, Reading, Stamp
from acquire.rounds import Guidance

__all__ = ["Explanation", "Row", "Said", "Settles", "Settling", "Status"]


class Settling(Protocol):
    """What a settler says of one quantity."""

    @property
    def phase(self) -> Phase: ...
    @property
    def value(self) -> float: ...
    @property
    def expanded_u(self) -> float: ...
    @property
    def drift_per_min(self) -> float: ...
    @property
    def eta_s(self) -> float | None: ...
    @property
    def reason(self) -> str: ...


class Settles(Protocol):
    """Any way to decide that one quantity has come to rest."""

    def update(self, t_s: float, value: float, temperature: float | None = None) -> Settling: ...
    def budget(self) -> Mapping[str, float]: ...
    def explain(self) -> Sequence[tuple[str, str]]: ...


@dataclass(frozen=True, slots=True)
class Row:
    """One quantity as it stands now."""

    quantity: str
    value: float | None
    """As last read; None when the meter shows no number."""
    flag: Flag | None
    settling: Settling | None
    """None out of water."""
    is_required: bool


@dataclass(frozen=True, slots=True)
class Status:
    """How the meter's immersion stands now, for whoever looks at it."""

    meter: str
    stamp: Stamp
    medium: str
    immersion: int
    elapsed_s: float
    """Seconds in this water."""
    water: str
    """Name of the water expected here; empty when nobody said."""
    rows: tuple[Row, ...]
    capture: Capture | None
    """The capture of this immersion, if there is one by now."""
    unconfirmed_s: float = 0.0
    """Seconds for which that capture should still be left to stand before the probe is lifted."""


@dataclass(frozen=True, slots=True)
class Explanation:
    """Why a capture was taken when it was: the terms that decided, quantity by quantity."""

    meter: str
    capture_id: str
    terms: Mapping[str, Sequence[tuple[str, str]]]
    channels: Mapping[str, Channel] = field(default_factory=dict)
    corrections: Mapping[str, StandingCorrection] = field(default_factory=dict)
    """Those in force: with the channels, what a value's uncertainty budget is made of."""


Said = Reading | Event | Capture | Status | Explanation | Guidance
"""What listeners hear."""
