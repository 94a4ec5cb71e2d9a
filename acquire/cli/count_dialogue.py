"""What `ouzel count` asks: field after field, with a way back at every step."""

from __future__ import annotations

import sys
from collections.abc import Callable

from acquire.cli.dialogue import ask, say
from acquire.outlets.words import tidy
from acquire.rounds import SHAPES
from acquire.water.microscope import field_diameter

__all__ = ["ask_count", "can_ask"]

Optics = dict[str, float | str]


def can_ask() -> bool:
    return sys.stdin.isatty()


def ask_count(water: str, optics: Optics) -> tuple[tuple[int, ...], dict[str, int], int, Optics]:
    """Ask for one count; gives fields, shapes, bubbles and what was looked at.

    KeyboardInterrupt and the end of input leave: nothing is kept then.
    """
    say(f"Particles in {tidy(water)}. Leave bubbles out: they are round, with a dark rim.")
    say("Type what each field holds, 0 as well. Enter ends, - takes the last one back.")
    fields: list[int] = []
    while True:
        answer = _ask(f"  field {len(fields) + 1}: ")
        if answer == "-":
            say(f"  took back {fields.pop()}" if fields else "  nothing to take back")
        elif answer == "" and fields:
            break
        elif answer.isdecimal() and len(answer) < 7:
            fields.append(int(answer))
        else:
            say("  a whole number, - or Enter")
    total = sum(fields)
    shapes = _shapes(total) if total else {}
    bubbles = int(_number("  bubbles left out [0]: ", 0.0, whole=True))
    return tuple(fields), shapes, bubbles, _ask_optics(optics)


def _shapes(total: int) -> dict[str, int]:
    """Ask for the classes until they add up; Enter at the first leaves them out."""
    while True:
        left, found = total, {}
        for name in SHAPES[:-1]:
            if left:
                found[name] = int(_number(f"  of {total}, {name}s [0]: ", 0.0, whole=True))
                left -= found[name]
        if left >= 0:
            found[SHAPES[-1]] = left
            if not any(found[name] for name in found if name != SHAPES[-1]):
                return {}
            if left:
                say(f"  other: {left}")
            return {name: n for name, n in found.items() if n}
        say(f"  that is {-left} more than {total}: once more")


def _ask_optics(known: Optics) -> Optics:
    if known:
        said = f"field {float(known.get('field_mm', 0)):.3g} mm ({known.get('optics', '')}), "
        said += f"drop {float(known.get('drop_ul', 0)):g} µL, "
        said += f"slip {float(known.get('slip_mm2', 0)):g} mm²"
        if _ask(f"  looked at: {said}. Enter: as last time, n: other: ").lower() not in {"n", "no"}:
            return known
    found: Optics = {}
    number = _number("  field number on the eyepiece in mm, Enter if not known: ", 0.0)
    if number:
        objective = _number("  magnification of the objective (not times the eyepiece): ", 0.0)
        if objective:
            found["field_mm"] = field_diameter(number, objective)
            found["optics"] = f"field number {number:g} mm, objective {objective:g}x"
    drop = _number("  drop under the cover slip in µL, Enter if not known (a drop: 50): ", 0.0)
    if drop:
        found["drop_ul"] = drop
        side = _number("  side of the cover slip in mm [18]: ", 18.0)
        found["slip_mm2"] = side * side
    return found


def _number(prompt: str, usual: float, *, whole: bool = False) -> float:
    return _until(prompt, lambda text: _read(text, usual, whole=whole))


def _read(text: str, usual: float, *, whole: bool) -> float:
    if not text:
        return usual
    value = float(text.replace(",", "."))
    if not 0 <= value < 1e6 or (whole and value != int(value)):
        raise ValueError
    return value


def _until(prompt: str, read: Callable[[str], float]) -> float:
    while True:
        try:
            return read(_ask(prompt))
        except ValueError:
            say("  a number, please")


def _ask(prompt: str) -> str:
    return ask(prompt, ended="the input ended before the count did: nothing was kept").strip()
