"""Is it the filter? Follows the passage draw by draw and says when it changes, and how.

A baseline is learnt from the first clean draws after each change of cartridge: its middle, and how
much draws scatter (individuals chart). From then on an EWMA follows the level, a CUSUM collects
small shifts (both NIST/SEMATECH e-Handbook 6.3.2), and a draw far above the level is a mark: two
in three draws are a breakthrough. What looks like the probe is left to faults.py and kept out.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from statistics import median

from acquire.errors import WaterError
from acquire.stats.charts import ewma, ewma_limits, individuals
from acquire.watch.draws import Draw
from acquire.watch.faults import FaultFinder
from acquire.watch.performance import PASSAGE_PER_C, Performance, performance

__all__ = ["PROBE_KINDS", "WATER_KINDS", "Change", "Judge", "Judged", "Limits", "Standing"]

WATER_KINDS = ("breakthrough", "exhausted")
PROBE_KINDS = ("open_circuit", "air", "stuck", "temperature", "fouling")

_SKIPPED = 8  # draws a new cartridge is rinsed with
_BASELINE = 30
_SLOW, _FAST = 0.05, 0.15
_JUMP = math.log(1.5)
_SLACK, _DECISION = 0.5, 8.0  # of the CUSUM, in sigma
_LOWER = 0.2  # a filter does not get better by a fifth of itself
_STOOD_S = 2 * 86_400.0
_CALM = 5  # draws in order that end an alert
_ENOUGH = {"open_circuit": 2, "air": 2, "stuck": 1, "temperature": 2}
"""Draws in a row that must show a fault."""


@dataclass(frozen=True, slots=True)
class Limits:
    """When the filter counts as spent; at least one."""

    passage: float | None = None
    """Fraction: 1 - rejection."""
    product: float | None = None
    """EC25 in µS/cm."""

    def margin(self, said: Performance) -> float:
        """Give how far above a limit it is, as a logarithm; negative while it is not."""
        return max(
            math.log(said.passage / self.passage) if self.passage else -math.inf,
            math.log(said.product / self.product) if self.product else -math.inf,
        )


@dataclass(frozen=True, slots=True)
class Change:
    """A kind of alert that begins to hold, or ends to."""

    kind: str
    is_on: bool
    text: str


@dataclass(frozen=True, slots=True)
class Judged:
    """What became of one draw."""

    performance: Performance | None
    """None where the draw gave none that can be trusted."""
    margin: float | None
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class Standing:
    """Where the filter stands, for whoever asks."""

    draws: int
    baseline: float | None
    """Passage at 25 °C after the last change of cartridge; None while it is learnt."""
    sigma: float | None
    level: float | None
    """EWMA of the passage at 25 °C."""
    upper: float | None
    """Upper limit of that average, three sigma."""
    is_rising: bool
    """Whether the CUSUM has decided that it left the baseline upwards."""


class Judge:
    """Takes one draw after the other."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._faults = FaultFinder()
        self._on: set[str] = set()
        self._begin()

    def _begin(self) -> None:
        self._seen = 0
        self._learnt: list[float] = []
        self._centre: float | None = None
        self._sigma = 0.03
        self._slow: float | None = None
        self._level: float | None = None
        self._margin: float | None = None
        self._sum = 0.0
        self._marks: deque[bool] = deque(maxlen=3)
        self._calm: dict[str, int] = {}
        self._shown: dict[str, int] = {}

    def changed(self) -> tuple[Change, ...]:
        """Begin anew with another cartridge; what held ends."""
        self._begin()
        self._faults.begin_anew()
        ended = tuple(
            Change(kind, is_on=False, text="the cartridge was changed") for kind in sorted(self._on)
        )
        self._on.clear()
        return ended

    @property
    def on(self) -> frozenset[str]:
        """Kinds that hold now."""
        return frozenset(self._on)

    def hold(self, kinds: Iterable[str]) -> None:
        """Go on with alerts that were raised before and never ended."""
        self._on.update(kind for kind in kinds if kind in {*WATER_KINDS, *PROBE_KINDS})

    def standing(self) -> Standing:
        if self._centre is None or self._level is None:
            return Standing(self._seen, None, None, None, None, is_rising=False)
        _, upper = ewma_limits(centre=self._centre, sigma=self._sigma, weight=_FAST)
        return Standing(
            self._seen,
            math.exp(self._centre),
            self._sigma,
            math.exp(self._level),
            math.exp(upper),
            self._sum > _DECISION,
        )

    def update(self, draw: Draw, feed: float, feed_u: float) -> Judged:
        """Judge a draw against the feed's EC25 in µS/cm and its standard uncertainty."""
        fault, is_usable = self._faults.look(draw)
        changes = self._follow_faults(draw, None if fault is None else (fault.kind, fault.evidence))
        if not is_usable or draw.value is None:
            return Judged(None, None, tuple(changes))
        try:
            said = performance(feed, feed_u, draw.value, draw.u, temp_c=draw.temp_c)
        except WaterError:
            return Judged(None, None, tuple(changes))
        margin = self._limits.margin(said)
        if draw.stood_s <= _STOOD_S:  # else the pipe's own water is not out of it yet
            changes += self._follow(said, margin, draw)
        return Judged(said, margin, tuple(changes))

    # -- the probe --------------------------------------------------------------------------

    def _follow_faults(self, draw: Draw, fault: tuple[str, str] | None) -> list[Change]:
        changes = []
        for kind, enough in _ENOUGH.items():
            if fault is not None and fault[0] == kind:
                self._shown[kind] = self._shown.get(kind, 0) + 1
                self._calm[kind] = 0
                if self._shown[kind] >= enough:
                    changes += self._turn(kind, fault[1])
            elif draw.value is not None and fault is None:
                self._shown[kind] = 0
                changes += self._calmed(kind, "the probe reads as usual again")
        return changes

    # -- the water --------------------------------------------------------------------------

    def _follow(self, said: Performance, margin: float, draw: Draw) -> list[Change]:
        self._seen += 1
        x = said.log_passage
        if draw.temp_c is not None:
            x -= PASSAGE_PER_C * (draw.temp_c - 25.0)
        changes = self._follow_jump(x)
        is_mark = self._marks[-1]
        (self._level,) = ewma([x], weight=_FAST, start=x if self._level is None else self._level)
        if self._slow is None:
            self._slow = x
        elif not is_mark:
            (self._slow,) = ewma([x], weight=_SLOW, start=self._slow)
        if not is_mark and self._seen > _SKIPPED:
            self._learn(x)
        changes += self._follow_limit(margin, is_trusted=not is_mark or "breakthrough" in self._on)
        return changes + self._follow_lower(x)

    def _learn(self, x: float) -> None:
        if self._centre is not None:
            self._sum = max(0.0, self._sum + (x - self._centre) / self._sigma - _SLACK)
            return
        self._learnt.append(x)
        if len(self._learnt) >= _BASELINE:
            middle = median(self._learnt)
            spread = 1.4826 * median(abs(one - middle) for one in self._learnt)
            clean = [one for one in self._learnt if abs(one - middle) <= max(4 * spread, 0.02)]
            self._sigma = max(0.01, individuals(clean).sigma)
            self._centre = math.fsum(clean) / len(clean)
            self._slow = self._centre

    def _follow_jump(self, x: float) -> list[Change]:
        before = self._slow
        if before is None or self._seen <= 4:
            self._marks.append(False)
            return []
        far = max(_JUMP, 5 * self._sigma)
        self._marks.append(x - before > far)
        if sum(self._marks) >= 2:
            self._calm["breakthrough"] = 0
            return self._turn(
                "breakthrough",
                f"the passage is {math.exp(x - before):.1f} times what it was (limit of a mark "
                f"{math.exp(far):.2f}), in {sum(self._marks)} of the last {len(self._marks)} draws",
            )
        if "breakthrough" in self._on and x - before < 0.5 * far:
            return self._calmed("breakthrough", "the passage is back where it was")
        return []

    def _follow_limit(self, margin: float, *, is_trusted: bool) -> list[Change]:
        if not is_trusted:
            return []
        if self._margin is None:
            self._margin = margin
        else:
            reach = max(0.3, 4 * self._sigma)
            step = min(max(margin - self._margin, -reach), reach)
            if "breakthrough" in self._on:
                step = margin - self._margin
            (self._margin,) = ewma([self._margin + step], weight=_FAST, start=self._margin)
        if self._margin >= 0.0 and self._seen >= 5:
            self._calm["exhausted"] = 0
            return self._turn(
                "exhausted",
                f"the average of the last draws is {math.expm1(self._margin):+.1%} from the limit",
            )
        if self._margin < -0.1:
            return self._calmed("exhausted", "the filter is clear of its limit again")
        return []

    def _follow_lower(self, x: float) -> list[Change]:
        if self._centre is None or self._slow is None:
            return []
        below = self._centre - self._slow
        if below > max(_LOWER, 4 * self._sigma):
            self._calm["fouling"] = 0
            return self._turn(
                "fouling",
                f"the probe reads {-math.expm1(-below):.0%} less than after the last change, and "
                "filters do not get better: clean the probe and check it in a solution",
            )
        if below < 0.5 * _LOWER and self._centre - x < _LOWER:
            return self._calmed("fouling", "the probe reads as after the last change")
        return []

    # -- on and off -------------------------------------------------------------------------

    def _turn(self, kind: str, text: str) -> list[Change]:
        if kind in self._on:
            return []
        self._on.add(kind)
        return [Change(kind, is_on=True, text=text)]

    def _calmed(self, kind: str, text: str) -> list[Change]:
        if kind not in self._on:
            return []
        self._calm[kind] = self._calm.get(kind, 0) + 1
        if self._calm[kind] < _CALM:
            return []
        self._on.discard(kind)
        return [Change(kind, is_on=False, text=text)]
