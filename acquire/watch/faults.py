"""Is it the probe? Each draw is looked at for signs that no water gives."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from statistics import median

from acquire.watch.draws import Draw

__all__ = ["Fault", "FaultFinder"]

_MEMORY = 20
_REPEATS = 4
_PLAUSIBLE_C = (0.2, 45.0)
_STEP_C = 7.0
_LOST = 0.25  # of the usual value: less is no water a filter makes overnight
_ROUGH = 0.06


@dataclass(frozen=True, slots=True)
class Fault:
    """Something about the probe, with what shows it."""

    kind: str
    """open_circuit, air, stuck, temperature."""
    evidence: str


class FaultFinder:
    """Remembers what is usual of the probe; a draw that shows a fault is kept out of that."""

    def __init__(self) -> None:
        self._values: deque[float] = deque(maxlen=_MEMORY)
        self._temps: deque[float] = deque(maxlen=_MEMORY)
        self._distinct: deque[int] = deque(maxlen=_MEMORY)
        self._same: tuple[float | None, int] = (None, 0)

    def look(self, draw: Draw) -> tuple[Fault | None, bool]:
        """Give the fault a draw shows, and whether its value may be used at all."""
        fault = self._temperature(draw) or self._lost(draw)
        if fault is not None:
            return fault, False
        fault, is_suspect = self._stuck(draw)
        if fault is not None or is_suspect:
            return fault, False
        if draw.value is not None:
            self._values.append(draw.value)
            self._distinct.append(draw.distinct)
            if draw.temp_c is not None:
                self._temps.append(draw.temp_c)
        return None, draw.value is not None

    def begin_anew(self) -> None:
        """Forget what was usual: another cartridge, or a probe that was taken out."""
        self._values.clear()
        self._distinct.clear()
        self._same = (None, 0)

    def _lost(self, draw: Draw) -> Fault | None:
        if draw.n and draw.flagged >= 0.8 * draw.n:
            return Fault(
                "open_circuit",
                f"{draw.flagged} of {draw.n} readings of this draw are no number: cable or plug",
            )
        if len(self._values) < 5 or draw.peak is None:
            return None
        usual = median(self._values)
        if draw.peak < max(0.1 * usual, 0.5) and draw.distinct <= 2:
            return Fault(
                "open_circuit",
                f"reads {draw.peak:.3g} µS/cm without stirring where {usual:.3g} is usual: the "
                "cell is not connected, or dry",
            )
        is_rough = draw.value is None or draw.scatter > _ROUGH
        level = draw.value if draw.value is not None else draw.middle or 0.0
        if level < 0.75 * usual and is_rough and draw.distinct > 2 and draw.reason[:3] != "too":
            return Fault(
                "air",
                f"reads low and restless ({draw.scatter:.0%} of {level:.3g} µS/cm; {usual:.3g} "
                "is usual): air in the cell",
            )
        if draw.value is not None and draw.value < _LOST * usual:
            return Fault(
                "air",
                f"reads {draw.value:.3g} µS/cm where {usual:.3g} is usual: air in the cell, or "
                "the cell is not in the water",
            )
        return None

    def _temperature(self, draw: Draw) -> Fault | None:
        temp = draw.temp_c
        if temp is None:
            return None
        if not _PLAUSIBLE_C[0] <= temp <= _PLAUSIBLE_C[1]:
            return Fault("temperature", f"{temp:.1f} °C is no temperature of water in a pipe")
        if draw.temp_jump > 2 * _STEP_C:
            return Fault(
                "temperature", f"the temperature jumped by {draw.temp_jump:.1f} °C between readings"
            )
        is_pipe = draw.value is not None  # a short draw still has the room's warmth
        if is_pipe and len(self._temps) >= 5 and draw.stood_s < 4 * 86_400:
            usual = median(list(self._temps)[-10:])
            if abs(temp - usual) > _STEP_C:
                return Fault(
                    "temperature", f"{temp:.1f} °C where the last draws had {usual:.1f} °C"
                )
        return None

    def _stuck(self, draw: Draw) -> tuple[Fault | None, bool]:
        """One value through whole draws, where the probe usually shows the first water."""
        if draw.distinct != 1 or draw.peak is None or draw.n < 5:
            self._same = (None, 0)
            return None, False
        usually_moves = len(self._distinct) >= 5 and median(self._distinct) > 1
        if not usually_moves:
            return None, False
        value, count = self._same
        count = count + 1 if value == draw.peak else 1
        self._same = (draw.peak, count)
        if count >= _REPEATS:
            return (
                Fault(
                    "stuck",
                    f"{draw.peak:.4g} µS/cm to the last digit through {count} whole draws, first "
                    "water included",
                ),
                True,
            )
        return None, True
