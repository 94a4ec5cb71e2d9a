"""The live table of the terminal: value, how far from rest, phase, drift, time left."""

from __future__ import annotations

import math
import time
from collections.abc import Mapping
from typing import TYPE_CHECKING, Self

from acquire.bench.standing import Row, Said, Status
from acquire.outlets.words import (
    capture_lines,
    capture_title,
    event_line,
    finding_lines,
    shown,
    tidy,
)
from acquire.quantities import Quantity
from acquire.readings import Capture, CaptureState, Event

if TYPE_CHECKING:
    from rich.console import RenderableType

__all__ = ["LiveTable", "bar", "headline", "rest_fraction"]

CHIME = "\a"
NARROW = 66
"""Below so many columns the drift goes and the bar shrinks: unit and phase must stay whole."""
PICTURES_PER_S = 8.0
"""Enough for eyes, whatever the meter's rate."""


class LiveTable:
    """Draws every meter's newest status in place; captures and events scroll by above it."""

    def __init__(self, quantities: Mapping[str, Quantity], *, chime: bool = True) -> None:
        from rich.console import Console  # noqa: PLC0415  (rich is heavy)
        from rich.live import Live  # noqa: PLC0415

        self._quantities = quantities
        self._chime = chime
        self._console = Console(highlight=False)
        self._statuses: dict[str, Status] = {}
        self._lost: dict[str, str] = {}
        self._live = Live(
            "Waiting for the first reading ...",
            console=self._console,
            auto_refresh=False,
            vertical_overflow="crop",
        )
        self._drawn_s = -math.inf

    def __enter__(self) -> Self:
        self._live.__enter__()
        return self

    def __exit__(self, *_: object) -> None:
        self._draw()
        self._live.__exit__(None, None, None)

    def hear(self, said: Said) -> None:
        match said:
            case Capture():
                self._announce(said)
            case Event(kind="finding"):
                self._console.print("\n".join(finding_lines(said)), markup=False)
            case Event():
                self._console.print(event_line(said), markup=False)
                self._notice(said)
            case Status():
                self._statuses[said.meter] = said
                if time.monotonic() - self._drawn_s >= 1.0 / PICTURES_PER_S:
                    self._draw()

    def _announce(self, capture: Capture) -> None:
        if capture.state is CaptureState.PROVISIONAL and self._chime:
            self._console.file.write(CHIME)
        if capture.state in {CaptureState.FINAL, CaptureState.UNSETTLED}:
            text = "\n".join(capture_lines(capture, self._quantities))
        else:
            text = capture_title(capture)
        self._console.print(text, markup=False)

    def _notice(self, event: Event) -> None:
        """A meter that is lost must not look alive: its values go from the table."""
        if event.kind in {"meter_lost", "meter_over", "meter_not_reached"}:
            self._lost[event.meter] = event.text
        elif event.kind == "meter_back":
            self._lost.pop(event.meter, None)
        else:
            return
        self._draw()

    def _draw(self) -> None:
        from rich.console import Group  # noqa: PLC0415

        self._drawn_s = time.monotonic()
        parts = self._parts()
        if parts:
            self._live.update(Group(*parts), refresh=True)

    def _parts(self) -> list[RenderableType]:
        """Give what is drawn, from top to bottom."""
        parts: list[RenderableType] = []
        for meter, status in self._statuses.items():
            if meter in self._lost:
                parts.append(f"{meter}: METER LOST: {tidy(self._lost[meter], 200)}")
            else:
                parts.append(self._table(status))
        return parts

    def _table(self, status: Status) -> RenderableType:
        from rich.markup import escape  # noqa: PLC0415
        from rich.table import Table  # noqa: PLC0415

        narrow = self._console.width < NARROW
        table = Table(
            title=escape(headline(status)), title_justify="left", box=None, padding=(0, 1)
        )
        for name, justify in (
            ("", "left"),
            ("value", "right"),
            ("rest", "left"),
            ("", "left"),
            *(() if narrow else (("drift/min", "right"),)),
            ("left", "right"),
        ):
            table.add_column(name, justify="right" if justify == "right" else "left", no_wrap=True)
        for row in status.rows:
            table.add_row(*(escape(cell) for cell in self._cells(row, narrow=narrow)))
        return table

    def _cells(self, row: Row, *, narrow: bool) -> tuple[str, ...]:
        quantity = self._quantities[row.quantity]
        value = "---" if row.value is None else shown(quantity, row.value)
        now = row.settling
        cells, phase, drift, left = bar(0, 5 if narrow else 10), "", "", ""
        if row.flag is not None:
            phase = row.flag.replace("_", " ")
        elif now is not None:
            cells = bar(self._rest(quantity, row), 5 if narrow else 10)
            phase = now.phase
            drift = quantity.show(now.drift_per_min, digits=quantity.digits + 1)
            drift = drift if drift.startswith("-") else f"+{drift}"
            left = f"{now.eta_s:.0f} s" if now.eta_s and now.phase != "settled" else ""
        shown_bar = cells if phase and row.flag is None else ""
        return (quantity.label, value, shown_bar, phase, *(() if narrow else (drift,)), left)

    def _rest(self, quantity: Quantity, row: Row) -> float:
        now = row.settling
        if now is None:
            return 0.0
        if now.phase == "settled":
            return 1.0
        return min(0.95, rest_fraction(now.expanded_u, quantity.tolerance.at(now.value)))


def headline(status: Status) -> str:
    """Say in a line what to do with the probe now."""
    water = f", {tidy(status.water, 40)}" if status.water and status.medium != "air" else ""
    if status.medium == "air":
        return f"{status.meter}: in air: put it into {tidy(status.water, 40) or 'a water'}"
    if status.immersion == 0:
        return f"{status.meter}: not certain yet whether it is in water"
    if status.capture is None:
        return f"{status.meter}{water}: {status.elapsed_s:.0f} s in water, leave the probe still"
    if status.unconfirmed_s > 0:
        return f"{status.meter}{water}: settled; leave it {status.unconfirmed_s:.0f} s more"
    return f"{status.meter}{water}: captured; you may lift the probe"


def rest_fraction(expanded_u: float, tolerance: float) -> float:
    """How near to rest, 0..1: 1 at the tolerance, 0 at a hundred times it, even steps of ratio."""
    if not expanded_u > 0 or not tolerance > 0:
        return 0.0
    return min(1.0, max(0.0, 1.0 - math.log10(max(1.0, expanded_u / tolerance)) / 2.0))


def bar(fraction: float, cells: int = 10) -> str:
    """Draw a fraction as a row of cells that reads without colour: `●●●●○○○○○○`."""
    full = min(cells, max(0, int(fraction * cells + 1e-9)))
    return "●" * full + "○" * (cells - full)
