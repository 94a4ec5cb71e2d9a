"""What the flag of a visit does to a verdict: the grave ones speak against it. Pure.

A flag is a sentence that a walk keeps with a visit. It is grave when the number may be another
water's or had not come to rest: what rests on it cannot be told. All others (the probe was lifted
after the capture, a rinse was short, somebody said which water it is) are told beside the verdict.
That answer does not take the doubt away: in random rounds people answer of the glass the probe has
reached by then.
"""

from __future__ import annotations

from collections.abc import Iterable

__all__ = ["grave", "is_grave"]

_ANOTHER_WATER = ("perhaps another water", "was it in the right glass", "carry-over")
_NOT_AT_REST = ("it did not come to rest",)
_NOT_AS_WARM = ("°C warmer than", "°C colder than")


def grave(flags: Iterable[str], quantity: str = "") -> tuple[str, ...]:
    """Give the flags that speak against a verdict on this quantity, or on any of a capture.

    Waters that are not equally warm differ in temperature, and that may be said.
    """
    words = [*_ANOTHER_WATER, *_NOT_AT_REST]
    if quantity != "temperature":
        words += _NOT_AS_WARM
    return tuple(flag for flag in flags if any(word in flag for word in words))


def is_grave(flags: Iterable[str]) -> bool:
    """Whether one of them speaks against a verdict on most quantities."""
    return bool(grave(flags))
