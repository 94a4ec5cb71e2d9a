"""A round: one visit to a list of waters, what became of each stop, and particle counts. Frozen.

The plan says which stops there are; a visit says what became of one of them. A stop may have
several visits: its repeats, and those set aside because they were done again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from acquire.readings import Role

__all__ = [
    "COUNT_RESTORED",
    "COUNT_WITHDRAWN",
    "GLIMPSED",
    "SHAPES",
    "Guidance",
    "ParticleCount",
    "Round",
    "RoundState",
    "Stop",
    "StopKind",
    "StopState",
    "Visit",
    "VisitState",
]

StopKind = Literal["check", "rinse", "water", "count"]
"""A known solution held against its value, a rinse, a water to capture, particles to count."""

VisitState = Literal["taken", "skipped", "set aside"]
"""What became of a stop: it gave its record, it was left out, its record was replaced."""

RoundState = Literal["open", "done", "stopped"]
"""A round goes on until its last stop, or until somebody stops it; an open one can be resumed."""

StopState = Literal["to come", "now", "taken", "skipped"]

COUNT_WITHDRAWN, COUNT_RESTORED = "count_withdrawn", "count_restored"
"""Kinds of the events by which a person takes a count back, or back again; the count stays kept."""

GLIMPSED = "round_glimpse"
"""Kind of the event that keeps what was seen of a glass while the probe was only passing."""

SHAPES = ("fibre", "fragment", "film", "other")
"""Classes that particles are counted in; bubbles are counted apart and left out."""


@dataclass(frozen=True, slots=True)
class Stop:
    """One line of a plan."""

    kind: StopKind
    water: str
    """Name of the water, of the solution's bottle, or of what is counted."""
    role: Role | None = None
    solution: str = ""
    """Name in the catalogue of solutions; for a check."""
    repeats: int = 1
    """Captures wanted here, each with the probe lifted between, >= 1."""
    is_closing: bool = False
    """A check at the end, which shows that the meter held."""
    least_s: float = 0.0
    """Seconds a rinse should last."""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Visit:
    """What became of one stop of a round, once."""

    round_id: str
    position: int
    """Of the stop in its plan, from 0."""
    repeat: int
    """From 1."""
    state: VisitState
    at_ms: int
    capture_id: str = ""
    count_id: str = ""
    note: str = ""
    """Typed by the person."""
    flags: tuple[str, ...] = ()
    """What was odd, a sentence each: rinse too short, unlike what was expected, lifted early."""


@dataclass(frozen=True, slots=True)
class Round:
    """One visit to a list of waters; `visits` are those known so far, in order of time."""

    id: str
    plan: str
    """Name of the plan."""
    plan_text: str
    """Its TOML as it was, so that the round can be read without the file."""
    meter: str
    began_ms: int
    stops: tuple[Stop, ...]
    state: RoundState = "open"
    ended_ms: int | None = None
    visits: tuple[Visit, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class ParticleCount:
    """Particles of one water seen under the microscope; numbers as counted, nothing computed."""

    id: str
    at_ms: int
    water: str
    fields: tuple[int, ...]
    """Objects in each field of view, bubbles left out; at least one field."""
    shapes: Mapping[str, int] = field(default_factory=dict)
    """Shape class (`SHAPES`) to number; adds up to the sum of `fields`, or is empty."""
    bubbles: int = 0
    field_mm: float = 0.0
    """Diameter of the field of view in mm; 0: not known."""
    field_mm_u: float = 0.0
    """Standard uncertainty of it, mm."""
    drop_ul: float = 0.0
    """Volume under the cover slip in µL; 0: not known."""
    drop_ul_u: float = 0.0
    slip_mm2: float = 0.0
    """Area the drop spreads over in mm²; 0: not known."""
    slip_mm2_u: float = 0.0
    optics: str = ""
    """How the field was found: field number and objective, or measured."""
    role: Role | None = None
    round_id: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Guidance:
    """Where a round stands now and what the person does next; for screen, page and voice."""

    meter: str
    round_id: str
    plan: str
    position: int
    """Of the current stop, from 0; the number of stops when all are done."""
    say: str
    """One sentence: what to do now."""
    then: str
    """One sentence: what comes after that; empty at the end."""
    stops: tuple[tuple[str, StopState], ...]
    """Each stop in words, with how it stands."""
    question: str = ""
    """Something only the person knows; empty when nothing is asked."""
    answers: tuple[str, ...] = ()
    """Words that answer it, the first the likely one."""
    warnings: tuple[str, ...] = ()
    """What is odd about this stop as it goes."""
    is_over: bool = False
