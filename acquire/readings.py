"""What flows through ouzel: readings, settled values, captures, events. Frozen, no behaviour."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import Literal

__all__ = [
    "REFERENCE_ELECTRODES",
    "Capture",
    "CaptureState",
    "Channel",
    "Event",
    "Flag",
    "Phase",
    "Reading",
    "Role",
    "SettledValue",
    "Source",
    "Stamp",
    "utc_text",
]

Phase = Literal["moving", "settling", "settled"]
"""How a quantity stands in its immersion: still changing, nearly there, at rest."""

Source = Literal["meter", "derived", "typed", "imported"]
"""Where a value comes from: said by the meter, derived by ouzel, typed by who read a display,
taken from a table kept elsewhere."""

REFERENCE_ELECTRODES = (
    "ag-agcl-3m",
    "ag-agcl-saturated",
    "ag-agcl-4m",
    "ag-agcl-1m",
    "ag-agcl-0.1m",
    "calomel-saturated",
    "she",
)
"""Names of what an ORP may be measured against; `acquire.water.redox` holds their potentials."""


class Flag(StrEnum):
    """Why a quantity has no trustworthy number in a reading."""

    OVER_RANGE = "over_range"  # the meter says so: no number
    ERROR = "error"  # the meter shows an error word: no number
    IMPLAUSIBLE = "implausible"  # a number outside the quantity's plausible range: kept, not used


class Role(StrEnum):
    """What a water is to its round."""

    REFERENCE = "reference"
    SUBJECT = "subject"
    RINSE = "rinse"
    SOLUTION = "solution"


class CaptureState(StrEnum):
    """Where a capture is in its life; only `provisional` ever changes into another."""

    PROVISIONAL = "provisional"  # settled, the probe is still in the water
    FINAL = "final"  # the probe has left
    WITHDRAWN = "withdrawn"  # it moved on after all
    UNSETTLED = "unsettled"  # time ran out: a record of why, never shown as settled


@dataclass(frozen=True, slots=True)
class Stamp:
    """One instant: UTC milliseconds for people, monotonic nanoseconds for every computation."""

    at_ms: int
    mono_ns: int

    @property
    def t_s(self) -> float:
        """Monotonic seconds; only differences mean anything."""
        return self.mono_ns * 1e-9


def utc_text(at_ms: int) -> str:
    """Write UTC milliseconds as ISO 8601 with a Z; outside years 1 to 9999, the nearest end."""
    inside = min(max(at_ms, -62_135_596_800_000), 253_402_300_799_999)
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=inside)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


@dataclass(frozen=True, slots=True)
class Channel:
    """What a meter measures of one quantity, as its profile describes it."""

    quantity: str
    resolution: float
    """Smallest step of the display, in the quantity's unit, > 0."""
    accuracy: float = 0.0
    """The maker's ± in the quantity's unit; the larger of this and the next applies."""
    accuracy_relative: float = 0.0
    """The maker's ± as a fraction of the value."""
    follows: str | None = None
    """Quantity this one is computed from inside the meter (TDS from conductivity)."""
    reference_c: float | None = None
    """Temperature in °C the meter has already compensated to; None when it has not."""
    coefficient: float | None = None
    """Fraction per °C the meter uses for that; None when unknown or not linear."""
    reference_electrode: str | None = None
    """What ORP is measured against, one of REFERENCE_ELECTRODES; None when not known."""

    @property
    def is_required(self) -> bool:
        """A capture waits for every channel that is not computed from another."""
        return self.follows is None


@dataclass(frozen=True, slots=True)
class Reading:
    """What a meter said at one instant."""

    meter: str
    stamp: Stamp
    values: Mapping[str, float]
    """Quantity to finite number in the quantity's unit."""
    flags: Mapping[str, Flag] = field(default_factory=dict)
    raw: str = ""
    """What came over the wire, printable and bounded."""


@dataclass(frozen=True, slots=True)
class SettledValue:
    """Where one quantity came to rest, and how sure that is."""

    quantity: str
    value: float
    expanded_u: float
    """95 % expanded uncertainty of the settling: noise, resolution, remaining change."""
    phase: Phase
    drift_per_min: float
    """In the quantity's unit; not a number where nobody knows, as of a typed value."""
    settled_after_s: float | None
    """Seconds of immersion until it was first settled; None when it never was."""
    source: Source = "meter"
    method: str = ""
    """How a derived value was computed; empty for the meter's own."""
    reason: str = ""
    """Why it is not settled, in words; empty when it is."""
    budget: Mapping[str, float] = field(default_factory=dict)
    """Standard uncertainties by term: noise, resolution, remaining."""


@dataclass(frozen=True, slots=True)
class Capture:
    """The settled values of one immersion and the conditions they were taken in."""

    id: str
    meter: str
    state: CaptureState
    started: Stamp
    taken: Stamp
    values: Mapping[str, SettledValue]
    water: str = ""
    role: Role | None = None
    reason: str = ""
    """For unsettled and withdrawn ones: what moved, how fast and why."""
    derived: Mapping[str, SettledValue] = field(default_factory=dict)
    """What ouzel makes of the values, by quantity: corrected, at 25 °C, or computed because the
    meter does not give it. Stands beside `values`, which stay as they were said, and says how in
    `method`; its uncertainty holds that of the method too."""


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened and is kept: a meter lost, a gap, a clock step, bad frames."""

    kind: str
    stamp: Stamp
    meter: str = ""
    text: str = ""
    data: Mapping[str, float | str] = field(default_factory=dict)
