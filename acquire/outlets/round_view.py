"""A round in the terminal: what to do now in plain words, the stops, the live table below."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Self

from acquire.outlets.cells import wrap
from acquire.outlets.live import LiveTable
from acquire.outlets.words import capture_title, event_line, tidy
from acquire.readings import Capture, CaptureState, Event, Role
from acquire.rounds import GLIMPSED, Guidance

if TYPE_CHECKING:
    from rich.console import RenderableType

    from acquire.bench.standing import Said
    from acquire.quantities import Quantity

__all__ = ["RoundLines", "RoundTable", "guidance_lines", "keys_for"]

_HIGH = 32
"""Lines of a window in which there is room for six stops."""
_MARKS = {"taken": "✓", "skipped": "–", "now": "▶", "to come": "·"}
_QUIET = {"guidance", "round_note", "left_unsettled", GLIMPSED}
"""`left_unsettled`: every rinse is left so, and where it matters the guidance says it too."""


def guidance_lines(said: Guidance, width: int = 79) -> Iterator[str]:
    """What to do now and next, what is asked, what is odd."""
    yield from wrap(tidy(said.say, 300), width, ">>> ", then="    ")
    if said.then:
        yield from wrap(tidy(said.then, 300), width, "    ", then="    ")
    yield from _asked_and_odd(said, width)


def _asked_and_odd(said: Guidance, width: int) -> Iterator[str]:
    if said.question and not said.is_over:
        yield from wrap(tidy(said.question, 400), width, " ?  ", then="    ")
        yield from (f"    {n}: {tidy(text, 60)}" for n, text in enumerate(said.answers, start=1))
    for warning in () if said.is_over else said.warnings:
        yield from wrap(tidy(warning, 300), width, " !  ", then="    ")


class RoundLines:
    """One line for each thing that matters; for pipes, logs, and beside a running daemon."""

    def __init__(self) -> None:
        self._last = ""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def hear(self, said: Said) -> None:
        match said:
            case Guidance():
                text = "\n".join(guidance_lines(said))
                if text != self._last:
                    print(text, flush=True)
                self._last = text
            case Capture():
                print(capture_title(said), flush=True)
            case Event(kind=kind) if kind not in _QUIET:
                print(event_line(said), flush=True)


class RoundTable(LiveTable):
    """The stops and the guidance in place above the live table."""

    def __init__(self, quantities: Mapping[str, Quantity]) -> None:
        super().__init__(quantities, chime=False)
        self._guidance: Guidance | None = None
        self._typing = ""
        self._has_keys = sys.stdin.isatty()

    def hear(self, said: Said) -> None:
        match said:
            case Guidance():
                if said.question and (self._guidance is None or not self._guidance.question):
                    self._console.file.write("\a\a")
                self._guidance = said
                self._draw()
            case Event(kind=kind) if kind in _QUIET:
                pass
            case Capture(state=CaptureState.PROVISIONAL) if said.role is not Role.RINSE:
                self._console.file.write("\a")
                super().hear(said)
            case _:
                super().hear(said)

    def typing(self, text: str) -> None:
        """Show what is being typed; empty when nothing is. Called from the thread of the keys."""
        self._typing = text
        self._draw()

    def _parts(self) -> list[RenderableType]:
        from rich.box import HEAVY  # noqa: PLC0415
        from rich.panel import Panel  # noqa: PLC0415
        from rich.text import Text  # noqa: PLC0415

        said = self._guidance
        if said is None:
            return super()._parts()
        width = max(30, self._console.width)
        then = f"\n{tidy(said.then, 300)}" if said.then else ""
        asked = "\n".join(_asked_and_odd(said, width - 1))
        return [
            Text("\n".join(_stops(said, width, 6 if self._console.height >= _HIGH else 3))),
            Panel(
                Text.assemble((tidy(said.say, 300), "bold"), then),
                box=HEAVY,
                title="now",
                title_align="left",
                width=width,
            ),
            *((Text(asked, style="bold"),) if asked else ()),
            # Above the table, whose end a low window cuts off.
            *(() if said.is_over else (Text(tidy(self._typing, 400) or self._keys_for(said)),)),
            # A count is done at the microscope: where the probe is meanwhile matters to nobody.
            *(() if said.is_over or _is_count(said) else super()._parts()),
        ]

    def _keys_for(self, said: Guidance) -> str:
        return keys_for(said) if self._has_keys else ""


def keys_for(said: Guidance) -> str:
    """Give the keys that do something now, in a line of at most 79 characters."""
    many = len(said.answers)
    answers = f"1-{many} answer   " if many > 1 else "1 answer   " if many else ""
    count = "0-9 type the count   " if _is_count(said) and not many else ""
    return f"{answers}{count}s skip   r do again   n note   x stop   Ctrl-C go on later"


def _is_count(said: Guidance) -> bool:
    return said.say.startswith("Count")


def _stops(said: Guidance, width: int, most: int) -> Iterator[str]:
    """Give where the round stands: what is done, what is now, what comes; so many at most."""
    whole = len(said.stops)
    at = min(said.position, whole - 1)
    first = max(0, min(at - most // 3, whole - most))
    number = "done" if said.is_over else f"stop {at + 1} of {whole}"
    yield f"Round {tidy(said.plan, 40)}, {number}"
    if first:
        yield f"  … {first} before"
    for text, state in said.stops[first : first + most]:
        yield f"{_MARKS[state]} {tidy(text, width - 3)}"
    if first + most < whole:
        yield f"  … {whole - first - most} more"
