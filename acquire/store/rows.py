"""Between our dataclasses and the store's rows: pure, no database.

Whatever cannot be a row is refused here, in the caller's own stack, before it joins others in a
transaction.
"""

from __future__ import annotations

import json
import math
import operator
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, cast

from acquire.errors import StoreError
from acquire.quantities import BUILT_IN
from acquire.readings import (
    Capture,
    CaptureState,
    Channel,
    Event,
    Flag,
    Phase,
    Reading,
    Role,
    SettledValue,
    Source,
    Stamp,
)

__all__ = [
    "CaptureRows",
    "EventRow",
    "MeterRows",
    "ReadingRows",
    "capture_of",
    "capture_rows",
    "clean",
    "event_of",
    "event_row",
    "flag_of",
    "meter_rows",
    "reading_rows",
    "require_storable",
    "unit_of",
    "value_of",
]

_FLAG_CODES: Mapping[Flag | None, int] = {
    None: 0,
    Flag.OVER_RANGE: 1,
    Flag.ERROR: 2,
    Flag.IMPLAUSIBLE: 3,
}
_FLAGS = {code: flag for flag, code in _FLAG_CODES.items()}
_LAST_MS = 253_402_300_799_999  # the last instant of the year 9999
_LAST_NS = 2**63 - 1


@dataclass(frozen=True, slots=True)
class ReadingRows:
    """One reading, ready to be inserted."""

    meter: str
    stamp: Stamp
    cells: tuple[tuple[str, float | None, int], ...]
    """Quantity, finite value or None, flag code."""


@dataclass(frozen=True, slots=True)
class MeterRows:
    """What a meter is, from its configuration and profile."""

    name: str
    meter: tuple[str, str, str]
    """Driver, profile, identity."""
    series: tuple[tuple[Any, ...], ...]
    """Quantity, unit, resolution, accuracy, accuracy_relative, follows, reference_c, coefficient,
    reference_electrode."""
    at_ms: int


@dataclass(frozen=True, slots=True)
class CaptureRows:
    """One state of a capture."""

    id: str
    meter: str
    started: Stamp
    state: CaptureState
    said: tuple[Any, ...]
    """State, taken_ms, taken_mono_ns, water, role, reason."""
    values: tuple[tuple[Any, ...], ...]
    """Quantity, position, value, expanded_u, phase, drift_per_min, settled_after_s, source, method,
    reason, budget."""
    derived: tuple[tuple[Any, ...], ...]
    """The same of what ouzel derived."""


@dataclass(frozen=True, slots=True)
class EventRow:
    """One event."""

    row: tuple[Any, ...]
    """at_ms, mono_ns, kind, meter, text, data."""


def clean(text: str) -> str:
    """Give text any database holds: no NUL, no halves of surrogate pairs."""
    return text.replace("\0", "\ufffd").encode("utf-8", "replace").decode("utf-8")


def require_storable(stamp: Stamp) -> Stamp:
    """Refuse an instant no calendar shows."""
    at_ms, mono_ns = operator.index(stamp.at_ms), operator.index(stamp.mono_ns)
    if not 0 <= at_ms <= _LAST_MS or not -_LAST_NS <= mono_ns <= _LAST_NS:
        raise StoreError(
            f"a time outside the years 1970 to 9999 cannot be stored: {stamp}; set the clock"
        )
    return stamp


def reading_rows(reading: Reading) -> ReadingRows:
    """Split a reading into cells.

    A value that is not finite becomes "no number, error": that the meter spoke is kept, an
    infinity never is.
    """
    cells: list[tuple[str, float | None, int]] = []
    for quantity, said in reading.values.items():
        flag = reading.flags.get(quantity)
        value = _finite(said)
        if value is None and flag is None:
            flag = Flag.ERROR
        cells.append((clean(quantity), value, _FLAG_CODES[flag]))
    cells.extend(
        (clean(quantity), None, _FLAG_CODES[flag])
        for quantity, flag in reading.flags.items()
        if quantity not in reading.values
    )
    return ReadingRows(clean(reading.meter), require_storable(reading.stamp), tuple(cells))


def flag_of(code: int) -> Flag | None:
    """Give the flag of a stored code; one this version does not know counts as an error."""
    return _FLAGS.get(code, Flag.ERROR)


def meter_rows(
    name: str,
    meter: tuple[str, str, str],
    channels: Sequence[Channel],
    units: Mapping[str, str],
    at_ms: int,
) -> MeterRows:
    """Write down what a meter is; `units` names the UCUM unit of quantities not built in."""
    driver, profile, identity = meter
    return MeterRows(
        clean(name),
        (clean(driver), clean(profile), clean(identity)),
        tuple(
            (
                clean(channel.quantity),
                clean(units.get(channel.quantity) or unit_of(channel.quantity)),
                _finite(channel.resolution),
                _finite(channel.accuracy) or 0.0,
                _finite(channel.accuracy_relative) or 0.0,
                None if channel.follows is None else clean(channel.follows),
                _finite(channel.reference_c),
                _finite(channel.coefficient),
                channel.reference_electrode,
            )
            for channel in channels
        ),
        at_ms,
    )


def unit_of(quantity: str) -> str:
    """Give the UCUM unit of a built-in quantity, or nothing."""
    built_in = BUILT_IN.get(quantity)
    return "" if built_in is None else built_in.unit


def capture_rows(capture: Capture) -> CaptureRows:
    require_storable(capture.started)
    require_storable(capture.taken)
    return CaptureRows(
        id=clean(capture.id),
        meter=clean(capture.meter),
        started=capture.started,
        state=CaptureState(capture.state),
        said=(
            CaptureState(capture.state).value,
            capture.taken.at_ms,
            capture.taken.mono_ns,
            clean(capture.water),
            None if capture.role is None else Role(capture.role).value,
            clean(capture.reason),
        ),
        values=_value_rows(capture.values),
        derived=_value_rows(capture.derived),
    )


def _value_rows(values: Mapping[str, SettledValue]) -> tuple[tuple[Any, ...], ...]:
    return tuple(
        (
            clean(quantity),
            position,
            _finite(value.value),
            _finite(value.expanded_u),
            clean(value.phase),
            _finite(value.drift_per_min),
            _finite(value.settled_after_s),
            clean(value.source),
            clean(value.method),
            clean(value.reason),
            _json(value.budget),
        )
        for position, (quantity, value) in enumerate(values.items())
    )


def value_of(row: Sequence[Any]) -> SettledValue:
    """Read a value back; what was not known is NaN, an unknown uncertainty infinite."""
    quantity, _, value, expanded_u, phase, drift, after, source, method, reason, budget = row
    return SettledValue(
        quantity=quantity,
        value=math.nan if value is None else value,
        expanded_u=math.inf if expanded_u is None else expanded_u,
        phase=cast("Phase", phase),
        drift_per_min=math.nan if drift is None else drift,
        settled_after_s=after,
        source=cast("Source", source),
        method=method,
        reason=reason,
        budget={term: math.nan if u is None else u for term, u in json.loads(budget).items()},
    )


def capture_of(
    row: Sequence[Any], values: Sequence[SettledValue], derived: Sequence[SettledValue] = ()
) -> Capture:
    """Read a capture back from id, meter, started, state, taken, water, role, reason."""
    key, meter, started_ms, started_ns, state, taken_ms, taken_ns, water, role, reason = row
    return Capture(
        id=key,
        meter=meter,
        state=CaptureState(state),
        started=Stamp(started_ms, started_ns),
        taken=Stamp(taken_ms, taken_ns),
        values={value.quantity: value for value in values},
        water=water,
        role=None if role is None else Role(role),
        reason=reason,
        derived={value.quantity: value for value in derived},
    )


def event_row(event: Event) -> EventRow:
    require_storable(event.stamp)
    return EventRow(
        (
            event.stamp.at_ms,
            event.stamp.mono_ns,
            clean(event.kind),
            clean(event.meter),
            clean(event.text),
            _json(event.data),
        )
    )


def event_of(row: Sequence[Any]) -> Event:
    at_ms, mono_ns, kind, meter, text, data = row
    return Event(
        kind=kind,
        stamp=Stamp(at_ms, mono_ns),
        meter=meter,
        text=text,
        data={
            name: math.nan if value is None else value for name, value in json.loads(data).items()
        },
    )


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)


def _json(data: Mapping[str, Any]) -> str:
    """Write a flat object of numbers and text; a number that is not finite becomes null."""
    return json.dumps(
        {
            clean(name): clean(value) if isinstance(value, str) else _finite(value)
            for name, value in data.items()
        },
        ensure_ascii=False,
        allow_nan=False,
        separators=(",", ":"),
    )
