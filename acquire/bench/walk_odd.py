"""What is odd about a capture of a round: temperature, carry-over, a failed check. Pure."""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterator, Mapping
from dataclasses import replace

from acquire.bench.flagged import CARRY_OVER, CHECK_OF, COLDER, TOO_SHORT, WARMER
from acquire.bench.walk_course import Course
from acquire.checks import Check
from acquire.quantities import BUILT_IN
from acquire.readings import Capture, Role
from acquire.rounds import Visit

__all__ = ["carry_over", "check_flags", "not_rinsed", "temperature_apart"]

APART_C = 2.0
"""Reference and subject compared farther apart differ by their temperature too: common practice."""
STRONG = 3.0
"""Times the conductivity of a water: what was before it and this much stronger may carry over."""
_OTHER = {Role.REFERENCE: Role.SUBJECT, Role.SUBJECT: Role.REFERENCE}


def temperature_apart(course: Course, role: Role | None, temp_c: float, *, but: str = "") -> str:
    """Say when a water is not as warm as the one it will be compared with; empty when it is."""
    other = _OTHER.get(role) if role is not None else None
    found = [
        (course.stops[visit.position].water, capture.values["temperature"].value)
        for visit, capture in course.taken_captures()
        if other is not None
        and course.stops[visit.position].role is other
        and "temperature" in capture.values
        and capture.id != but
    ]
    if not found:
        return ""
    water, there_c = found[-1]
    apart = temp_c - there_c
    if abs(apart) <= APART_C:
        return ""
    word = WARMER if apart > 0 else COLDER
    return f"{abs(apart):.1f} {word} {water}: let both stand until they are within 2 °C"


def carry_over(course: Course, position: int) -> Iterator[Visit]:
    """Give first repeats that deviate from the later ones towards a strong water before them."""
    visits = [(v, c) for v, c in course.taken_captures() if v.position == position]
    if len(visits) < 2:
        return
    (first, capture), later = visits[0], [c for _, c in visits[1:]]
    before = _before(course, first)
    if before is None or not _is_strong(before, later):
        return
    for quantity in ("conductivity", "ph"):
        if quantity not in capture.values or quantity not in before.values:
            continue
        rest = [c.values[quantity] for c in later if quantity in c.values]
        if not rest:
            continue
        one, usual = capture.values[quantity], statistics.median(v.value for v in rest)
        off = one.value - usual
        u = math.hypot(one.expanded_u, max(v.expanded_u for v in rest))
        limit = max(u, BUILT_IN[quantity].tolerance.at(usual))
        if abs(off) > limit and off * (before.values[quantity].value - usual) > 0:
            name = "pH" if quantity == "ph" else quantity
            text = (
                f"{CARRY_OVER}: {name} of the first repeat {off:+.3g} off the later ones, towards "
                f"{before.water}"
            )
            if not any(flag.startswith(CARRY_OVER) for flag in first.flags):
                yield replace(first, flags=(*first.flags, text))
            return


def _before(course: Course, visit: Visit) -> Capture | None:
    """Give the last capture before a visit that was no rinse."""
    earlier = [
        course.captures[v.capture_id]
        for v in course.visits
        if v.at_ms < visit.at_ms
        and v.position != visit.position
        and v.capture_id in course.captures
        and course.stops[v.position].kind != "rinse"
    ]
    return earlier[-1] if earlier else None


def _is_strong(before: Capture, later: list[Capture]) -> bool:
    quantity = "conductivity" if "conductivity" in before.values else "tds"
    if quantity not in before.values:
        return False
    mine = [c.values[quantity].value for c in later if quantity in c.values]
    return bool(mine) and before.values[quantity].value > STRONG * statistics.median(mine)


def not_rinsed(course: Course, position: int) -> str:
    """Say that the rinse before a stop was left out or too short; empty when it was not."""
    if course.taken(position):
        return ""  # only the first repeat comes from elsewhere
    for number in range(position - 1, -1, -1):
        stop = course.stops[number]
        if stop.kind == "count":
            continue
        if stop.kind != "rinse":
            return ""
        visits = [v for v in course.visits if v.position == number and v.state != "set aside"]
        if visits and visits[-1].state == "skipped":
            return "the rinse before it was left out"
        if visits and any(TOO_SHORT in flag for flag in visits[-1].flags):
            return f"the rinse before it was {TOO_SHORT}"
        return ""
    return ""


def check_flags(checks: tuple[Check, ...], units: Mapping[str, str]) -> Iterator[str]:
    """Say which quantities did not pass, and how far they were off."""
    for check in checks:
        if check.verdict == "pass":
            continue
        unit = units.get(check.quantity, "")
        word = "fails" if check.verdict == "fail" else "cannot be told"
        text = (
            f"{CHECK_OF} {check.quantity.replace('_', ' ')} {word}: {check.said:.4g} where "
            f"{check.expected:.4g} {unit}".rstrip()
            + " is due"
        )
        yield text + (f"; is it {check.resembles}?" if check.resembles else "")
