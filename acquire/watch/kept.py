"""What is kept of a watch: draws, alerts, changes of cartridges. Frozen."""

from __future__ import annotations

from dataclasses import dataclass

from acquire.watch.draws import Draw

__all__ = ["Acknowledged", "Alert", "Cleared", "KeptDraw", "Replaced", "Restored"]


@dataclass(frozen=True, slots=True)
class KeptDraw:
    """A draw of one watch, with the feed it was held against and what came out."""

    watch: str
    draw: Draw
    feed: float | None
    """EC25 in µS/cm; None while nothing is known of the feed."""
    feed_u: float | None
    feed_ms: int | None
    """When the feed was measured."""
    passage: float | None
    """Fraction; None where the draw gave none that can be trusted."""
    passage_u: float | None
    margin: float | None
    """Logarithm over the limit, negative below it."""


@dataclass(frozen=True, slots=True)
class Alert:
    """Something a person should know, from when it began until it ended."""

    id: str
    watch: str
    kind: str
    raised_ms: int
    text: str
    acknowledged_ms: int | None = None
    cleared_ms: int | None = None
    cleared_text: str = ""

    @property
    def is_open(self) -> bool:
        return self.cleared_ms is None


@dataclass(frozen=True, slots=True)
class Cleared:
    """The end of an alert."""

    id: str
    at_ms: int
    text: str


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """A person has seen an alert."""

    id: str
    at_ms: int


@dataclass(frozen=True, slots=True)
class Replaced:
    """A part of the installation was changed: what follows is another filter."""

    watch: str
    part: str
    at_ms: int


@dataclass(frozen=True, slots=True)
class Restored:
    """A change was said by mistake: the filter is the one it was, and its alerts hold again."""

    watch: str
    part: str
    at_ms: int
    """When the change was said."""
