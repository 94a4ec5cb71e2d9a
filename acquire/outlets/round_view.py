"""A round in the terminal: what to do now in plain words, the stops, the live table below."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Self

from acquire.outlets.live import LiveTable
from acquire.outlets.words import capture_title, event_line, tidy
from acquire.readings import Capture, CaptureState, Event, Role
from acquire.rounds import Guidance

if TYPE_CHECKING:
    from rich.console import RenderableType

    from acquire.daemon import Said
    from acquire.quantities import Quantity

__all__ = ["KEYS", "RoundLines", "RoundTable", "guidance_lines"]

KEYS = "s skip  r do again  n note  1-9, a answer  x stop  Ctrl-C leave, go on later"
_MARKS = {"taken": "✓", "skipped": "–", "now": "▶", "to come": "·"}
_QUIET = {"guidance", "round_note", "left_unsettled"}
"""`left_unsettled`: every rinse is left so, and where it matters the guidance says it too."""


def guidance_lines(said: Guidance, width: int = 79) -> Iterator[str]:
    """What to do now and next, what is asked, what is odd."""
    yield from textwrap.wrap(
        tidy(said.say, 300), width, initial_indent=">>> ", subsequent_indent="    "
    )
    if said.then:
        yield from textwrap.wrap(
            tidy(said.then, 300), width, initial_indent="    ", subsequent_indent="    "
        )
    if said.question and not said.is_over:
        yield from textwrap.wrap(
            tidy(said.question, 400), width, initial_indent=" ?  ", subsequent_indent="    "
        )
        yield from (f"    {n}: {tidy(text, 60)}" for n, text in enumerate(said.answers, start=1))
    for warning in () if said.is_over else said.warnings:
        yield from textwrap.wrap(
            tidy(warning, 300), width, initial_indent=" !  ", subsequent_indent="    "
        )


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
        from rich.text import Text  # noqa: PLC0415

        said = self._guidance
        if said is None:
            return super()._parts()
        stops = [f"{_MARKS[state]} {tidy(text, 60)}" for text, state in said.stops]
        at = min(said.position, len(stops) - 1)
        shown = stops[max(0, at - 2) : at + 4]
        width = max(30, self._console.width - 1)
        guide = "\n".join(guidance_lines(said, width))
        return [
            Text("\n".join(shown)),
            Text(f"\n{guide}\n", style="bold"),
            *super()._parts(),
            *(() if said.is_over else (Text(tidy(self._typing, 400) or KEYS),)),
        ]
