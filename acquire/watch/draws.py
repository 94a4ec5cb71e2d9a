"""Draw-offs: when the tap runs, what the first water holds, and where it comes to rest.

After standing, the first water through a membrane holds more dissolved solids than the filter lets
through while it works; performance is therefore taken from the settled part of a draw only, and
the first peak is a figure of its own. A draw is recognised by the flow where it is measured, else
by a step of conductivity or temperature against the standing water.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

__all__ = ["Draw", "DrawFollower", "Moment"]

_FLOWS = 0.05  # L/min
_GAP_S = 120.0
_PAUSE_S = 6.0
_SHORT_S = 25.0
_LEAST = 4  # readings a settled part has
_STILL = 0.03  # its halves agree to this fraction
_STEP_EC = 0.06  # fraction that begins a draw
_STEP_C = 0.5
_STANDING_S = 120.0  # how fast the standing level follows
_PLATEAU_S = 30.0
_LONGEST_S = 900.0


@dataclass(frozen=True, slots=True)
class Moment:
    """What the probe in the product said at one instant."""

    t_s: float
    """Monotonic."""
    at_ms: int
    ec25: float | None
    """µS/cm; None where the meter gave no number."""
    temp_c: float | None
    flow: float | None = None
    """L/min, if it is measured."""
    is_new_run: bool = False
    """Whether monotonic time begins anew here."""


@dataclass(frozen=True, slots=True)
class Draw:
    """One draw-off, or, where the probe gave no number, the attempt at one."""

    started_ms: int
    ended_ms: int
    stood_s: float
    """Seconds since the draw before; infinite for the first."""
    litres: float | None
    value: float | None
    """EC25 of the settled part in µS/cm, its median; None when nothing settled."""
    u: float
    """Standard uncertainty of that: noise, resolution, what is left to move."""
    temp_c: float | None
    peak: float | None
    """Highest EC25 of the draw."""
    middle: float | None
    """Median EC25 of the whole draw."""
    n: int
    flagged: int
    """Readings without a number."""
    distinct: int
    """Different values of EC25: one alone in a draw that began after standing is suspect."""
    scatter: float
    """Relative spread (1.4826 MAD) of the settled part."""
    temp_jump: float
    """Largest step of temperature between two readings, °C."""
    reason: str = ""
    """Why it has no settled value."""


class DrawFollower:
    """Cuts a stream of moments into draws; gives each when it is over."""

    def __init__(self, *, resolution: float = 1.0, has_flow: bool) -> None:
        self._resolution = resolution
        self._has_flow = has_flow
        self._held: list[Moment] = []
        self._last: Moment | None = None
        self._standing: tuple[float | None, float | None] = (None, None)
        self._perhaps: Moment | None = None
        self._still_since: float | None = None
        self._ended_ms: int | None = None

    def update(self, now: Moment) -> Draw | None:
        """Take the next moment; gives a draw that ended with it."""
        last, self._last = self._last, now
        broken = last is None or now.is_new_run or not 0 <= now.t_s - last.t_s <= _GAP_S
        ended: Draw | None = None
        if self._held and broken:
            ended = self._end()
        if broken:
            self._standing, self._perhaps = (now.ec25, now.temp_c), None
        if self._has_flow:
            return self._by_flow(now) or ended
        return self._by_step(now, last if not broken else None) or ended

    def _by_flow(self, now: Moment) -> Draw | None:
        if now.flow is not None and now.flow > _FLOWS:
            self._held.append(now)
        elif self._held and now.t_s - self._held[-1].t_s > _PAUSE_S:
            return self._end()
        return None

    def _by_step(self, now: Moment, last: Moment | None) -> Draw | None:
        if not self._held:
            perhaps, self._perhaps = self._perhaps, None
            if last is not None and self._is_step(now):
                if perhaps is None:  # one reading alone out of line is a spike
                    self._perhaps = now
                else:
                    self._held, self._still_since = [perhaps, now], None
            elif last is not None:
                share = 1.0 - math.exp(-(now.t_s - last.t_s) / _STANDING_S)
                ec, temp = self._standing
                self._standing = (_toward(ec, now.ec25, share), _toward(temp, now.temp_c, share))
            return None
        self._held.append(now)
        if now.t_s - self._held[0].t_s > _LONGEST_S:
            return self._end()
        if self._plateau() is None:
            self._still_since = None
        elif self._still_since is None:
            self._still_since = now.t_s
        elif now.t_s - self._still_since >= _PLATEAU_S:
            self._standing = (now.ec25, now.temp_c)
            return self._end()
        return None

    def _is_step(self, now: Moment) -> bool:
        ec, temp = self._standing
        if (
            ec is not None
            and now.ec25 is not None
            and abs(now.ec25 - ec) > max(_STEP_EC * ec, 3 * self._resolution)
        ):
            return True
        return temp is not None and now.temp_c is not None and abs(now.temp_c - temp) > _STEP_C

    def _plateau(self) -> tuple[list[float], float] | None:
        """Give the settled end of the draw, and by how much its halves still differ."""
        said = [(one.t_s, one.ec25) for one in self._held if one.ec25 is not None]
        if len(said) < _LEAST:
            return None
        begin, end = self._held[0].t_s, self._held[-1].t_s
        since = end - max(20.0, (end - begin) / 3)
        tail = [ec for t_s, ec in said if t_s >= since]
        if len(tail) < _LEAST or since <= begin:
            return None
        half = len(tail) // 2
        left = abs(median(tail[half:]) - median(tail[:half]))
        if left > max(_STILL * abs(median(tail)), self._resolution):
            return None
        return tail, left

    def _end(self) -> Draw:
        held, self._held = self._held, []
        self._held = held
        found = self._plateau()
        self._held = []
        said = [one.ec25 for one in held if one.ec25 is not None]
        temps = [one.temp_c for one in held if one.temp_c is not None]
        stood = math.inf if self._ended_ms is None else (held[0].at_ms - self._ended_ms) / 1e3
        self._ended_ms = held[-1].at_ms
        value, u, scatter = None, math.inf, 0.0
        if found is not None:
            tail, left = found
            value = median(tail)
            spread = 1.4826 * median(abs(ec - value) for ec in tail)
            scatter = spread / value if value > 0 else 0.0
            u = math.sqrt(spread**2 / len(tail) + self._resolution**2 / 12.0 + left**2 / 3.0)
        return Draw(
            started_ms=held[0].at_ms,
            ended_ms=held[-1].at_ms,
            stood_s=stood,
            litres=_litres(held) if self._has_flow else None,
            value=value,
            u=u,
            temp_c=median(temps[-max(1, len(temps) // 3) :]) if temps else None,
            peak=max(said) if said else None,
            middle=median(said) if said else None,
            n=len(held),
            flagged=len(held) - len(said),
            distinct=len(set(said)),
            scatter=scatter,
            temp_jump=max((abs(b - a) for a, b in pairwise(temps)), default=0.0),
            reason="" if found is not None else _why(held, said),
        )


def _why(held: list[Moment], said: list[float]) -> str:
    if not said:
        return "the probe gave no number"
    if held[-1].t_s - held[0].t_s < _SHORT_S:
        return "too short to come to rest"
    return "did not come to rest"


def _litres(held: list[Moment]) -> float:
    """Sum the flow; each reading counts until the next, the last as long as the one before."""
    total = step = 0.0
    for one, following in pairwise(held):
        step = following.t_s - one.t_s
        total += (one.flow or 0.0) * step
    return (total + (held[-1].flow or 0.0) * step) / 60.0


def _toward(level: float | None, value: float | None, share: float) -> float | None:
    if value is None:
        return level
    return value if level is None else level + share * (value - level)
