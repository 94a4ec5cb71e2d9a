"""Which captures of one water count for a quantity, and what speaks against a verdict on it. Pure.

Repeats are made so that one of them may fail: a capture that is in doubt, or in which the quantity
did not settle, does not count where another of the same water does. Only where each one is in doubt
nothing can be told of the water.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from acquire.bench.flagged import doubts
from acquire.bench.sides import in_use
from acquire.readings import Capture

__all__ = ["Sound", "sound_of"]

Flags = Mapping[str, Sequence[str]]
"""By capture id what was odd about it."""


@dataclass(frozen=True, slots=True)
class Sound:
    """What counts of one water."""

    captures: tuple[Capture, ...]
    left_out: tuple[tuple[str, str], ...]
    """Id of a repeat that does not count, and why."""
    against: tuple[str, ...]
    """What speaks against any verdict on those that count."""


def sound_of(quantity: str, captures: Iterable[Capture], flags: Flags) -> Sound:
    """Choose among the captures of one water those that count for this quantity."""
    having = [one for one in captures if in_use(one, quantity) is not None]
    reasons = {one.id: _against(quantity, one, flags) for one in having}
    sound = tuple(one for one in having if not reasons[one.id])
    if sound:
        odd = tuple((name, "; ".join(why)) for name, why in reasons.items() if why)
        return Sound(sound, odd, ())
    every = dict.fromkeys(text for why in reasons.values() for text in why)
    return Sound(tuple(having), (), tuple(every))


def _against(quantity: str, one: Capture, flags: Flags) -> tuple[str, ...]:
    value = in_use(one, quantity)
    moving = value is not None and value.phase != "settled"
    said = (f"not settled in capture {one.id}",) if moving else ()
    return (*said, *doubts(flags.get(one.id, ())))
