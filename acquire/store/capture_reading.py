"""Captures as they are read back: each state with its values and their units."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from acquire.readings import Capture
from acquire.store.rows import capture_of, value_of

__all__ = ["CAPTURE", "STATE", "Units", "capture_with_units"]

Ask = Callable[..., list[tuple[Any, ...]]]
"""Runs a query and gives its rows."""
Units = Mapping[str, str]
"""Quantity to the UCUM unit its value was kept in, whatever the meter says now."""

_VALUE = (
    "quantity, position, value, expanded_u, phase, drift_per_min, settled_after_s, source, method, "
    "reason, budget, unit"
)
CAPTURE = (
    "captures.id, name, started_ms, started_mono_ns, state, taken_ms, taken_mono_ns, water, role, "
    "reason FROM captures JOIN meters ON meters.id = captures.meter"
)
STATE = (
    "captures.id, name, started_ms, started_mono_ns, said.state, said.taken_ms, "
    "said.taken_mono_ns, said.water, said.role, said.reason "
    "FROM captures JOIN meters ON meters.id = captures.meter "
    "JOIN capture_states AS said ON said.capture = captures.key"
)
"""As `CAPTURE`, of each state that a capture was kept in."""


def capture_with_units(
    ask: Ask, key: int, number: int, row: Sequence[Any]
) -> tuple[Capture, Units]:
    """Give the capture whose columns are `row` as it stands in one of its states."""
    values, derived = (
        ask(
            f"SELECT {_VALUE} FROM {table} "  # noqa: S608 - constants
            "WHERE capture = ? AND number = ? ORDER BY position",
            key,
            number,
        )
        for table in ("capture_values", "capture_derived")
    )
    kept = capture_of(
        row,
        [value_of(said) for *said, _ in values],
        [value_of(said) for *said, _ in derived],
    )
    return kept, {said[0]: said[-1] for said in (*values, *derived)}
