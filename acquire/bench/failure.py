"""Why a check failed: another solution in the glass, another compensation than thought. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping

from acquire.bench.likeness import from_solution, values_of
from acquire.bench.standard import allowed_error, right_reading
from acquire.errors import WaterError
from acquire.quantities import BUILT_IN
from acquire.readings import Capture, Channel, SettledValue
from acquire.water.behaviour import compensation_seen_in_standard
from acquire.water.solutions import Solution, expected_reading

__all__ = ["WATER", "compensation_told", "resembles", "too_weak"]

WATER = "a water"
"""What conducts too little for a solution looks like."""


def resembles(
    asked: Solution,
    used: SettledValue,
    channel: Channel,
    temp_c: float,
    solutions: Mapping[str, Solution],
) -> list[str]:
    """Name the other solutions whose value this is, nearest first, the one asked for being far."""
    away = abs(used.value - right_reading(asked, channel, temp_c).value)
    near: dict[str, float] = {}
    for name, other in solutions.items():
        try:
            due = right_reading(other, channel, temp_c)
        except WaterError:
            continue
        allowed, _ = allowed_error(channel, due.value)
        distance = abs(used.value - due.value)
        reach = math.hypot(used.expanded_u, due.tolerance) + (allowed or 0.0)
        if name != asked.name and distance <= reach and distance < away / 4.0:
            near[name] = distance
    return sorted(near, key=near.__getitem__)[:3]


def too_weak(solution: Solution, capture: Capture, channels: Mapping[str, Channel]) -> str:
    """Say when what was in the glass conducts too little for a pH solution; else empty.

    No pH electrode can tell: worn ones are as far off.
    """
    known, values = from_solution(solution, tuple(channels.values())), values_of(capture)
    for quantity, least in known.floors.items() if known is not None else ():
        if values.get(quantity, least) < least:
            one = BUILT_IN[quantity]
            name = one.label if quantity == "tds" else one.label.lower()
            return f"{name} {values[quantity]:.4g} where above {least:g} {one.shown_unit} is due"
    return ""


def compensation_told(
    solution: Solution, used: SettledValue, channel: Channel, temp_c: float
) -> str:
    """Say when the error is that of a compensation done otherwise than the profile says."""
    standard = expected_reading(solution, "conductivity", 25.0).value
    try:
        seen = compensation_seen_in_standard(used.value, temp_c, standard_25_us_cm=standard)
    except WaterError:
        return ""  # too near 25 °C to tell
    if channel.reference_c == 25.0 and seen.kind != "agrees":
        return f"; {seen.text} {seen.arithmetic}"
    if channel.reference_c is None and seen.kind == "agrees":
        return (
            "; the meter compensates to 25 °C and its profile does not say so: write "
            f"`compensated_to_c` into it ({seen.arithmetic})"
        )
    return ""
