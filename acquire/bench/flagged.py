"""What the flag of a visit does to a verdict: the grave ones speak against it. Pure.

A flag is a sentence that a walk keeps with a visit. What it means is read from its words, those of
earlier versions included: a word that decides something is written here, once. It is grave when the
number may be another water's or had not come to rest: what rests on it cannot be told. All others
(the probe was lifted after the capture, a rinse was short, somebody said which water it is) are
told beside the verdict. That answer does not take the doubt away: in random rounds people answer of
the glass the probe has reached by then.
"""

from __future__ import annotations

from collections.abc import Iterable

__all__ = [
    "CARRY_OVER",
    "CHECK_OF",
    "COLDER",
    "NOT_AT_REST",
    "PERHAPS",
    "READS_LIKE",
    "RIGHT_GLASS",
    "SAID",
    "TOO_SHORT",
    "WARMER",
    "doubts",
    "grave",
    "is_grave",
    "is_not_passed",
    "is_said",
]

PERHAPS = "perhaps another water"
READS_LIKE = "it reads like"
"""Before the name of another water: nothing else speaks against it."""
RIGHT_GLASS = "was it in the right glass"
CARRY_OVER = "carry-over"
NOT_AT_REST = "it did not come to rest"
WARMER, COLDER = "°C warmer than", "°C colder than"
TOO_SHORT = "too short"
"""Of a rinse."""
CHECK_OF = "check of"
"""Before the quantity that did not pass."""
SAID = "somebody said that it is"
"""Before the name of the water."""
_DOUBTS = (PERHAPS, RIGHT_GLASS, CARRY_OVER, NOT_AT_REST)


def grave(flags: Iterable[str], quantity: str = "") -> tuple[str, ...]:
    """Give the flags that speak against a verdict on this quantity, or on any of a capture.

    Waters that are not equally warm differ in temperature, and that may be said.
    """
    words = _DOUBTS if quantity == "temperature" else (*_DOUBTS, WARMER, COLDER)
    return tuple(flag for flag in flags if any(word in flag for word in words))


def doubts(flags: Iterable[str]) -> tuple[str, ...]:
    """Give the flags by which the numbers of a capture may be another water's, or not at rest.

    How warm another water was is none of them: a comparison takes both temperatures as they are.
    """
    return tuple(flag for flag in flags if any(word in flag for word in _DOUBTS))


def is_grave(flags: Iterable[str]) -> bool:
    """Whether one of them speaks against a verdict on most quantities."""
    return bool(grave(flags))


def is_not_passed(flags: Iterable[str]) -> bool:
    """Whether a check of a quantity failed, or could not be told."""
    return any(flag.startswith(CHECK_OF) for flag in flags)


def is_said(flags: Iterable[str]) -> bool:
    """Whether somebody has said which water it is."""
    return any(flag.startswith(SAID) for flag in flags)
