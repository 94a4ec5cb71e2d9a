"""The live table of the terminal, and the plain lines where there is no terminal."""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping
from typing import TYPE_CHECKING, Self, TextIO

from acquire.bench.standing import Explanation, Row, Status
from acquire.outlets.as_json import json_line
from acquire.outlets.words import (
    capture_lines,
    capture_title,
    clock_time,
    event_line,
    finding_lines,
    plain,
    shown,
    tidy,
)
from acquire.quantities import Quantity
from acquire.readings import Capture, CaptureState, Event, Reading

if TYPE_CHECKING:
    from rich.console import RenderableType

    from acquire.daemon import Said

__all__ = ["JsonLines", "LiveTable", "PlainLines", "bar", "rest_fraction"]

CHIME = "\a"
_BAR = 10


class PlainLines:
    """One line for each thing that matters; a line of readings at most every `every_s`."""

    def __init__(
        self,
        quantities: Mapping[str, Quantity],
        *,
        every_s: float | None,
        file: TextIO | None = None,
    ) -> None:
        self._quantities = quantities
        self._every_s = every_s
        self._file = file or sys.stdout
        self._last_s = -math.inf

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.flush()

    def hear(self, said: Said) -> None:
        match said:
            case Capture(state=CaptureState.FINAL):
                self._print(*capture_lines(said, self._quantities))
            case Capture():
                self._print(capture_title(said))
            case Event(kind="finding"):
                self._print(*finding_lines(said))
            case Event():
                self._print(event_line(said))
            case Status() if self._every_s is not None:
                if said.stamp.t_s - self._last_s >= self._every_s:
                    self._last_s = said.stamp.t_s
                    self._print(self._status(said))

    def _print(self, *lines: str) -> None:
        print(*lines, sep="\n", file=self._file, flush=True)

    def _status(self, status: Status) -> str:
        values, settled = [], []
        for row in status.rows:
            quantity = self._quantities[row.quantity]
            value = "---" if row.value is None else shown(quantity, row.value)
            values.append(f"{plain(row.quantity)} {row.flag or value}")
            if row.settling and row.settling.phase == "settled":
                settled.append(plain(row.quantity))
        rest = f"; settled: {', '.join(settled) or 'none'}" if status.medium != "air" else ""
        return f"{clock_time(status.stamp.at_ms)}  {status.medium}: {', '.join(values)}{rest}"


class JsonLines:
    """Everything as JSON lines; `readings` and `statuses` may be left out."""

    def __init__(self, *, readings: bool, statuses: bool) -> None:
        self._readings = readings
        self._statuses = statuses

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        sys.stdout.flush()

    def hear(self, said: Said) -> None:
        if isinstance(said, Reading) and not self._readings:
            return
        if isinstance(said, Status | Explanation) and not self._statuses:
            return
        print(json_line(said), flush=True)


class LiveTable:
    """A table that moves: value, how far from rest, phase, drift, time left."""

    def __init__(self, quantities: Mapping[str, Quantity], *, chime: bool = True) -> None:
        from rich.console import Console  # noqa: PLC0415  (rich is heavy)
        from rich.live import Live  # noqa: PLC0415

        self._quantities = quantities
        self._chime = chime
        self._console = Console(highlight=False)
        self._statuses: dict[str, Status] = {}
        self._live = Live(
            "Waiting for the first reading ...",
            console=self._console,
            auto_refresh=False,
            transient=False,
            vertical_overflow="crop",
        )
        self._drawn_s = -math.inf

    def __enter__(self) -> Self:
        self._live.__enter__()
        return self

    def __exit__(self, *args: object) -> None:
        self._draw()
        self._live.__exit__(None, None, None)

    def hear(self, said: Said) -> None:
        import time  # noqa: PLC0415

        match said:
            case Capture():
                self._announce(said)
            case Event(kind="finding"):
                self._console.print("\n".join(finding_lines(said)), markup=False)
            case Event():
                self._console.print(event_line(said), markup=False)
            case Status():
                self._statuses[said.meter] = said
                # Eight pictures a second are enough for eyes, whatever the meter's rate.
                if time.monotonic() - self._drawn_s >= 0.125:
                    self._drawn_s = time.monotonic()
                    self._draw()

    def _announce(self, capture: Capture) -> None:
        if capture.state is CaptureState.PROVISIONAL and self._chime:
            self._console.file.write(CHIME)
        if capture.state is CaptureState.FINAL:
            text = "\n".join(capture_lines(capture, self._quantities))
        else:
            text = capture_title(capture)
        self._console.print(text, markup=False)

    def _draw(self) -> None:
        from rich.console import Group  # noqa: PLC0415

        if self._statuses:
            tables = [self._table(status) for status in self._statuses.values()]
            self._live.update(Group(*tables), refresh=True)

    def _table(self, status: Status) -> RenderableType:
        from rich.markup import escape  # noqa: PLC0415
        from rich.table import Table  # noqa: PLC0415

        table = Table(
            title=escape(_headline(status)), title_justify="left", box=None, padding=(0, 1)
        )
        table.add_column("", no_wrap=True)
        table.add_column("value", justify="right", no_wrap=True)
        table.add_column("rest", no_wrap=True)
        table.add_column("", no_wrap=True)
        table.add_column("drift/min", justify="right", no_wrap=True)
        table.add_column("left", justify="right", no_wrap=True)
        for row in status.rows:
            table.add_row(*(escape(cell) for cell in self._cells(row)))
        return table

    def _cells(self, row: Row) -> tuple[str, ...]:
        quantity = self._quantities[row.quantity]
        value = "---" if row.value is None else shown(quantity, row.value)
        now = row.settling
        if row.flag is not None:
            return (quantity.label, value, "", row.flag.replace("_", " "), "", "")
        if now is None:
            return (quantity.label, value, "", "", "", "")
        left = "" if now.eta_s is None or now.phase == "settled" else f"{now.eta_s:.0f} s"
        drift = quantity.show(now.drift_per_min, digits=quantity.digits + 1)
        drift = drift if drift.startswith("-") else f"+{drift}"
        return (quantity.label, value, bar(self._rest(quantity, row)), now.phase, drift, left)

    def _rest(self, quantity: Quantity, row: Row) -> float:
        now = row.settling
        if now is None:
            return 0.0
        if now.phase == "settled":
            return 1.0
        return min(0.95, rest_fraction(now.expanded_u, quantity.tolerance.at(now.value)))


def _headline(status: Status) -> str:
    water = f", {tidy(status.water)}" if status.water and status.medium != "air" else ""
    if status.medium == "air":
        todo = f"put it into {tidy(status.water)}" if status.water else "put it into a water"
        return f"{status.meter}: in air: {todo}"
    if status.capture is not None:
        return f"{status.meter}{water}: captured; lift the probe when you are ready"
    return f"{status.meter}{water}: {status.elapsed_s:.0f} s in water, leave the probe still"


def rest_fraction(expanded_u: float, tolerance: float) -> float:
    """How near to rest, 0..1: 1 at the tolerance, 0 at a hundred times it, even steps of ratio."""
    if not expanded_u > 0 or not tolerance > 0:
        return 0.0
    return min(1.0, max(0.0, 1.0 - math.log10(max(1.0, expanded_u / tolerance)) / 2.0))


def bar(fraction: float) -> str:
    """Draw a fraction as a row of cells that reads without colour: `●●●●○○○○○○`."""
    full = min(_BAR, max(0, int(fraction * _BAR + 1e-9)))
    return "●" * full + "○" * (_BAR - full)
