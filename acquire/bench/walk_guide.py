"""Where a round stands and what to do now, from its state. Pure."""

from __future__ import annotations

from acquire.bench.walk_course import Course
from acquire.bench.walk_state import Dip, UnderWay
from acquire.bench.walk_which import Doubt
from acquire.bench.walk_words import invited, stop_in_words, told_then
from acquire.rounds import Guidance

__all__ = ["guidance_for"]


def guidance_for(at: UnderWay) -> Guidance:
    """Say where the round stands and what to do now."""
    course, dip = at.course, at.dip
    doubted = at.doubted
    asked = doubted.doubt if doubted is not None else None
    position, say, then = _said(at)
    warnings = [*at.warnings, *([dip.apart] if dip is not None and dip.apart else [])]
    return Guidance(
        course.round.meter,
        course.round.id,
        course.round.plan,
        position,
        say,
        then,
        tuple((stop_in_words(s), course.state_of(n)) for n, s in enumerate(course.stops)),
        _asked(asked, is_past=dip is None or dip.doubt is None),
        asked.answers if asked else (),
        tuple(warnings),
        at.is_over,
    )


def _said(at: UnderWay) -> tuple[int, str, str]:
    """Give the stop it is about, what to do now, and what comes then."""
    course, dip, due = at.course, at.dip, at.course.current
    if course.is_over:
        return due, _last_words(course), ""
    if dip is None:
        return due, invited(course, due), told_then(course, due, is_in=False)
    if at.stop_of(dip) is not None and not dip.is_stray:
        return dip.position, _said_in(at, dip), told_then(course, dip.position, is_in=True)
    say = "This is none of the waters that are due: lift the probe."
    return due, say, "Then: " + invited(course, due)


def _last_words(course: Course) -> str:
    done = "The round is done" if course.round.state != "stopped" else "The round is stopped"
    return f"{done}: it is kept as {course.round.id}."


def _said_in(at: UnderWay, dip: Dip) -> str:
    stop = at.course.stops[dip.position]
    if stop.kind == "rinse":
        if at.rinsed_s + dip.for_s >= stop.least_s:
            return "Rinsed. Lift the probe and shake off the drops."
        return f"Rinsing: move the probe about in {stop.water}."
    return _said_at_rest(dip, stop.water)


def _said_at_rest(dip: Dip, water: str) -> str:
    if dip.is_discarded:
        return "Set aside. Lift the probe for ten seconds and put it in again."
    if dip.provisional is not None:
        return _said_settled(dip, water)
    if dip.moved_on > 1 and dip.unsettled is None:
        return (
            f"{water} came to rest {dip.moved_on} times and moved on: the next capture takes "
            "longer. Wait, or lift the probe to keep what there is, as not at rest."
        )
    if dip.stayed_on:
        return (
            f"{water} does not come to rest. Lift the probe to keep what there is, or "
            "stir gently and wait."
        )
    if dip.doubt is not None:
        return "Leave the probe still where it is."
    moved_on = f"{water} moved on after all. Leave the probe still in it."
    return moved_on if dip.moved_on else f"Leave the probe still in {water}."


def _said_settled(dip: Dip, water: str) -> str:
    if not dip.is_confirmed:
        return "Settled. Leave the probe in for half a minute more."
    if dip.doubt is not None:
        return "Captured. Say which water it is, then lift the probe."
    return f"Captured. Lift the probe out of {water}."


def _asked(doubt: Doubt | None, *, is_past: bool) -> str:
    if doubt is None:
        return ""
    if not is_past:
        return doubt.question
    # The probe may be in the next glass by now, which is not what is asked about.
    return doubt.question.replace("Which water is the", "Before, which water was the")
