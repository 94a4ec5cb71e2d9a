"""Makes a capture of numbers a person read off a display and typed. Pure.

No detector sees them: a person looked at the display and says whether it stood still. What the last
digit is worth is all that is known of their uncertainty, u = step / sqrt(12) (GUM F.2.2.1); the
maker's accuracy comes on top wherever values are compared, as for any other capture.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Protocol

from acquire.bench.derive import derive
from acquire.checks import StandingCorrection
from acquire.readings import Capture, CaptureState, Channel, Role, SettledValue, Stamp
from acquire.stats.budget import resolution_u

__all__ = ["MOVED", "Entry", "typed_capture"]

MOVED = "typed while the display was still moving"


class Entry(Protocol):
    """One number as it was read."""

    @property
    def quantity(self) -> str: ...

    @property
    def value(self) -> float:
        """In the quantity's unit."""
        ...

    @property
    def step(self) -> float:
        """What the last digit of the display is worth, in the quantity's unit."""
        ...


def typed_capture(
    entries: Iterable[Entry],
    *,
    id: str,  # noqa: A002  (as in `Capture`)
    meter: str,
    channels: Sequence[Channel],
    began: Stamp,
    ended: Stamp,
    stood_still: bool,
    water: str = "",
    role: Role | None = None,
    corrections: Mapping[str, StandingCorrection] | None = None,
) -> Capture:
    """Give the capture: final and settled only if the person says that the numbers stood still."""
    values = {entry.quantity: _value(entry, stood_still=stood_still) for entry in entries}
    by_name = {channel.quantity: channel for channel in channels}
    return Capture(
        id,
        meter,
        CaptureState.FINAL if stood_still else CaptureState.UNSETTLED,
        began,
        ended,
        values,
        water,
        role,
        "" if stood_still else MOVED,
        derive(values, by_name, corrections),
    )


def _value(entry: Entry, *, stood_still: bool) -> SettledValue:
    u = resolution_u(entry.step)
    return SettledValue(
        entry.quantity,
        entry.value,
        2.0 * u,
        "settled" if stood_still else "moving",
        math.nan,
        None,
        source="typed",
        reason="" if stood_still else MOVED,
        budget={"resolution": u},
    )
