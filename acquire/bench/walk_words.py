"""What a round says to the person, in plain sentences that read aloud well. Pure."""

from __future__ import annotations

from acquire.bench.walk_course import Course
from acquire.rounds import Stop

__all__ = ["invited", "stop_in_words", "told_then"]

_KINDS = {"reference": "reference", "subject": "subject"}


def stop_in_words(stop: Stop) -> str:
    """A stop on a list."""
    match stop.kind:
        case "check":
            return f"{'Closing check' if stop.is_closing else 'Check'}: {stop.water}"
        case "rinse":
            return f"Rinse in {stop.water}"
        case "count":
            return f"Count particles: {stop.water}"
        case "water":
            role = f" ({_KINDS[stop.role]})" if stop.role in _KINDS else ""
            return f"{stop.water}{role}{f', {stop.repeats} times' * (stop.repeats > 1)}"


def invited(course: Course, position: int) -> str:
    """What to do to begin a stop, the probe being in air."""
    stop = course.stops[position]
    repeat = len(course.taken(position)) + 1
    match stop.kind:
        case "rinse":
            return f"Rinse the probe in {stop.water}: {stop.least_s:.0f} s, moving it about."
        case "count":
            return (
                f"Count the particles of {stop.water} under the microscope and answer with the "
                "number in each field, or skip it."
            )
        case _ if repeat > 1:
            return f"Put the probe into {stop.water} again ({repeat} of {stop.repeats})."
        case _ if stop.repeats > 1:
            return f"Put the probe into {stop.water} (1 of {stop.repeats})."
        case _:
            return f"Put the probe into {stop.water}."


def told_then(course: Course, position: int, *, is_in: bool) -> str:
    """What comes after what is asked for now."""
    if position >= len(course.stops):
        return ""
    stop = course.stops[position]
    left = stop.repeats - len(course.taken(position)) - 1
    if stop.kind in {"water", "check"} and left > 0:
        return f"Then lift it for ten seconds, and again into {stop.water} ({left} more)."
    following = next(
        (n for n in range(position + 1, len(course.stops)) if not course.is_done(n)), None
    )
    if following is None:
        return "Then the round is done." if stop.kind != "count" or is_in else "That is the last."
    text = invited(course, following)
    return "Then: " + text[0].lower() + text[1:]
