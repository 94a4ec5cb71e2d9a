"""What is said, as plain lines for people or as JSON lines for programs."""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping
from typing import Self, TextIO

from acquire.bench.standing import Explanation, Said, Status
from acquire.outlets.as_json import json_line
from acquire.outlets.words import (
    capture_lines,
    capture_title,
    clock_time,
    event_line,
    finding_lines,
    shown,
    tidy,
)
from acquire.quantities import Quantity
from acquire.readings import Capture, CaptureState, Event, Reading

__all__ = ["JsonLines", "PlainLines"]


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
        self._places: dict[str, tuple[str, int]] = {}
        self._minded: dict[str, tuple[str, int]] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.flush()

    def minds(self, said: Said) -> bool:
        """Whether anything of it may be seen: of readings nothing, of a status a new place."""
        if not isinstance(said, Status):
            return not isinstance(said, Reading)
        place = (said.medium, said.immersion)
        is_new = self._minded.get(said.meter) != place
        self._minded[said.meter] = place
        return is_new or self._every_s is not None

    def hear(self, said: Said) -> None:
        match said:
            case Capture(state=CaptureState.FINAL | CaptureState.UNSETTLED):
                self._print(*capture_lines(said, self._quantities))
            case Capture():
                self._print(capture_title(said))
            case Event(kind="finding"):
                self._print(*finding_lines(said))
            case Event():
                self._print(event_line(said))
            case Status():
                self._hear_status(said)

    def _hear_status(self, status: Status) -> None:
        place = (status.medium, status.immersion)
        if status.immersion > 0 and self._places.get(status.meter) != place:
            self._places[status.meter] = place
            self._print(f"{clock_time(status.stamp.at_ms)}  {_place(status)}")
        if self._every_s is not None and status.stamp.t_s - self._last_s >= self._every_s:
            self._last_s = status.stamp.t_s
            self._print(self._values(status))

    def _print(self, *lines: str) -> None:
        print(*lines, sep="\n", file=self._file, flush=True)

    def _values(self, status: Status) -> str:
        values, moving = [], []
        for row in status.rows:
            quantity = self._quantities[row.quantity]
            value = "---" if row.value is None else shown(quantity, row.value)
            values.append(f"{quantity.label} {row.flag or value}")
            if row.is_required and (row.settling is None or row.settling.phase != "settled"):
                moving.append(quantity.label)
        line = f"{clock_time(status.stamp.at_ms)}  {', '.join(values)}"
        if status.medium == "air" or not moving:
            return line
        return f"{line}; waiting for {', '.join(moving)}"


def _place(status: Status) -> str:
    if status.medium == "air":
        return f"{status.meter}: in air; next: {tidy(status.water) or 'any water'}"
    name = f", taken as {tidy(status.water)}" if status.water else ""
    return f"{status.meter}: in water{name}"


class JsonLines:
    """Everything as JSON lines; `readings` and `statuses` may be left out."""

    def __init__(self, *, readings: bool, statuses: bool) -> None:
        self._readings = readings
        self._statuses = statuses

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        sys.stdout.flush()

    def minds(self, said: Said) -> bool:
        """Whether anything of it will be seen."""
        if isinstance(said, Reading):
            return self._readings
        return self._statuses or not isinstance(said, Status | Explanation)

    def hear(self, said: Said) -> None:
        if self.minds(said):
            print(json_line(said), flush=True)
