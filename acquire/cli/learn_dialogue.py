"""What `ouzel learn` shows and asks."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from acquire.cli.dialogue import ask
from acquire.errors import OuzelError
from acquire.outlets.words import tidy
from acquire.quantities import BUILT_IN

__all__ = ["confirm", "describe", "may_ask"]

_QUESTION = """
Is that right? yes, no, or:
  3 tds ppm    number 3 is TDS in ppm        3 -    leave number 3 out
  dip          put the probe from air into water while I listen, and think again
: """
_DIP = """
Hold the probe in air now. Press Enter, wait five seconds, then put it into tap
water and leave it there; I listen for 25 seconds. (`no` goes back) """


def describe(found: Any, say: Callable[[str], None]) -> None:
    """Show the lines as they came, and what each number is taken for."""
    say("\nLines as they came:")
    for text in found.lines.texts[-4:]:
        say(f"  {tidy(text, 76)}")
    total = len(found.lines.texts)
    say(f"\nWhat the numbers are taken for ({found.read} of {total} lines read so):")
    for place, one in enumerate(found.proposals, start=1):
        shown = f"{one.slot.shown[-1]} {one.slot.unit}" if one.slot.shown else "no number"
        what = _named(one) if one.quantity else "left out"
        sure = "" if one.is_sure or not one.quantity else "GUESSED: "
        say(
            f"{place:>3}  {tidy(one.slot.label, 12):<12} {tidy(shown, 13):<13} "
            f"{tidy(what, 21):<21} {tidy(sure + one.why, 26)}"
        )
    if any(one.quantity and not one.is_sure for one in found.proposals):
        say("\nGUESSED ones rest on the numbers alone. The surest way to know: watch them")
        say("while the probe goes from air into tap water; what conductivity gives rises.")


def _named(one: Any) -> str:
    unit = "" if one.unit in {"1", one.quantity} or one.quantity == "ph" else f" in {one.unit}"
    return f"{BUILT_IN[one.quantity].label}{unit}"


def confirm(found: Any, say: Callable[[str], None], dip: Callable[[], Any]) -> Any:
    """Ask until the person agrees and give what was agreed.

    EOFError or KeyboardInterrupt when the person leaves instead.
    """
    changes: dict[int, tuple[str, str]] = {}
    while True:
        answer = ask(_QUESTION).split()
        match [word.casefold() for word in answer]:
            case ["yes" | "y"]:
                return found
            case ["no" | "n"]:
                raise EOFError
            case ["dip"]:
                if ask(_DIP).strip().casefold() not in {"no", "n"}:
                    before, found = found, dip()
                    if len(found.proposals) == len(before.proposals):
                        found = _changed(found, changes, say)
                    describe(found, say)
            case [number, quantity, *_] if number.isdecimal() and len(number) < 5:
                # The unit as it was typed: mS and MS are not the same.
                wanted = "" if quantity == "-" else quantity, "".join(answer[2:])
                changed = _changed(found, {int(number) - 1: wanted}, say)
                if changed is not found:
                    changes[int(number) - 1] = wanted
                    found = changed
                    describe(found, say)
            case _:
                say("  yes, no, dip, or a number and what it is")


def _changed(found: Any, changes: Mapping[int, tuple[str, str]], say: Callable[[str], None]) -> Any:
    """Give what is found with the changes, or itself when they cannot be."""
    if any(not 0 <= place < len(found.proposals) for place in changes):
        say(f"  there are numbers 1 to {len(found.proposals)}")
        return found
    try:
        return found.with_changes(changes)
    except OuzelError as error:
        say(f"  {tidy(str(error), 200)}")
        return found


def may_ask(commands: Sequence[bytes], say: Callable[[str], None]) -> bool:
    """Ask before anything is sent to a device that nobody knows."""
    shown = ", ".join(repr(command.decode("ascii"))[1:-1] for command in commands)
    say(f"May I ask it for a reading? I would send: {shown}")
    return ask("These set nothing on meters I know of. (yes / no): ").strip().casefold() in {
        "y",
        "yes",
    }
