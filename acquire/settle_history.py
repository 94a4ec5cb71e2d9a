"""The past of one stream in a fixed amount of memory: fine for the last seconds, coarse before.

Samples are gathered into base blocks of one and a half to two seconds (one sample each when the
meter is slower than that). A base block's level is the mean of its middle half, so that spikes and
heavy tails do not count. Blocks stand in a ladder: each rung holds at most `RUNG` blocks, and when
one more comes the two oldest are joined into one block of twice the length on the next rung. An
hour takes some forty blocks, and windows stretch with the response seen.

The noise of a base block comes from second differences, which a trend does not reach, on the three
lowest rungs: when longer blocks scatter more than white noise would, the noise is coloured.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log, sqrt

__all__ = ["Block", "History", "Windows", "middle_mean"]

RUNG = 4
_RINGS = (12, 7, 7)
"""How many second differences are kept on each of the three lowest rungs."""
_QUIET = 1.5
"""Differences count as noise only where three blocks in a row stay within this many tolerances."""
_MEDIAN_TO_SIGMA = 1 / (0.6745 * sqrt(6.0))
"""Median of |a - 2 b + c| of white Gaussian noise to its standard deviation."""

_LAG_S = 40.0
"""Slowest thermometer thought of, s: a body of plastic around it."""
_WARM = 0.15
"""Changes of temperature below this are the thermometer's last digit, °C."""

Block = tuple[int, float, float, float | None]
"""Number of base blocks joined, mean time s, level, mean temperature °C."""


@dataclass(slots=True)
class Windows:
    """What an outlook is judged on: blocks from the newest back, relative to the newest level."""

    lag: list[float]
    """Seconds before now, rising."""
    change: list[float]
    """Level of the block minus the newest level, in the unit of the quantity."""
    weight: list[float]
    """One over the variance of each change."""
    edge_lag_s: float
    """How far back the signal first leaves the range looked at; the whole clock when never."""
    edge_change: float
    """Size of the change there; the whole excursion when it never leaves."""

    def dwell(self, rest: float, band: float) -> float:
        """Seconds it has stayed within ± `band` of `rest` (relative to the newest level)."""
        inside = 0.0
        for lag, change in zip(self.lag, self.change, strict=True):
            if abs(change - rest) > band:
                return 0.5 * (inside + lag) if inside else 0.0
            inside = lag
        return inside


class History:
    """Blocks of one immersion, newest last, with the noise they show."""

    __slots__ = ("_rings", "high", "low", "rungs")

    def __init__(self) -> None:
        self.rungs: list[list[Block]] = [[]]
        self.low = self.high = 0.0
        self._rings: tuple[list[float], list[float], list[float]] = ([], [], [])

    def add(self, t: float, level: float, temperature: float | None, tolerance: float) -> None:
        """Take one more base block; a few joins follow, one each time on average."""
        rungs = self.rungs
        if rungs[0]:
            self.low = min(self.low, level)
            self.high = max(self.high, level)
        else:
            self.low = self.high = level
        rungs[0].append((1, t, level, temperature))
        self._difference(0, tolerance)
        k = 0
        while len(rungs[k]) > RUNG:
            older, newer = rungs[k][0], rungs[k][1]
            del rungs[k][:2]
            k += 1
            if k == len(rungs):
                rungs.append([])
            rungs[k].append(_join(older, newer))
            if k < 3:
                self._difference(k, tolerance)

    def _difference(self, k: int, tolerance: float) -> None:
        rung = self.rungs[k]
        if len(rung) < 3:
            return
        a, b, c = rung[-3][2], rung[-2][2], rung[-1][2]
        if abs(c - a) < _QUIET * tolerance:
            ring = self._rings[k]
            ring.append(abs(a - 2 * b + c))
            if len(ring) > _RINGS[k]:
                del ring[0]

    def scatter(self, k: int) -> float:
        """Standard deviation of a block on rung k, from the median second difference; 0 unknown."""
        ring = self._rings[k]
        if len(ring) < 3:
            return 0.0
        ordered = sorted(ring)
        n = len(ordered)
        return 0.5 * (ordered[n // 2] + ordered[(n - 1) // 2]) * _MEDIAN_TO_SIGMA

    def noise(self, prior: float, colour: float, colour_weight: float) -> float:
        """Variance of a base block such that n blocks together have a n-th of it.

        `prior` is a standard deviation worth three differences, `colour` the ratio of that variance
        to what neighbouring blocks show, worth `colour_weight` differences.
        """
        n = len(self._rings[0])
        white = (self.scatter(0) ** 2 * n + 3 * prior * prior) / (n + 3)
        total, weight = colour_weight * log(colour), colour_weight
        for k, share, reach in ((1, 0.7, 1.3), (2, 1.0, 1.2)):
            n = len(self._rings[k])
            if n >= 3:
                seen = (self.scatter(k) ** 2 * n * 2**k + 3 * white) / (n + 3)
                total += n * share * reach * log(min(max(seen / white, 0.5), 12.0))
                weight += n * share
        return white * max(1.0, exp(total / weight))

    @property
    def newest(self) -> float:
        """Level of the last base block."""
        return self.rungs[0][-1][2]

    def step(self) -> tuple[float, float]:
        """Change from the last base block but one to the last, and the seconds between them."""
        rung = self.rungs[0]
        if len(rung) < 2:
            return 0.0, 1.0
        return rung[-1][2] - rung[-2][2], rung[-1][1] - rung[-2][1]

    def level(self, tolerance: float) -> float:
        """The newest level, two blocks together where they agree."""
        rung = self.rungs[0]
        newest = rung[-1][2]
        if len(rung) > 1 and abs(rung[-2][2] - newest) < tolerance:
            return 0.5 * (newest + rung[-2][2])
        return newest

    def windows(
        self,
        now: float,
        begun: float,
        level: float,
        *,
        tolerance: float,
        noise: float,
        fixed: float,
        discrepancy: float,
        look: float,
    ) -> Windows:
        """Give the blocks back to where the signal was `look` tolerances away.

        Variance of a change: `noise` (of a base block) over the blocks joined, plus `fixed`, plus
        the square of `discrepancy` times the change itself: no model of a tail is exact.
        """
        lags: list[float] = []
        changes: list[float] = []
        weights: list[float] = []
        far = look * tolerance
        d2 = discrepancy * discrepancy
        for rung in self.rungs:
            for m, t, y, _ in reversed(rung):
                change = y - level
                size = abs(change)
                if size > far and lags:
                    return Windows(lags, changes, weights, now - t, size)
                lags.append(now - t)
                changes.append(change)
                weights.append(1.0 / (noise / m + fixed + d2 * change * change))
        excursion = max(self.high - level, level - self.low)
        return Windows(lags, changes, weights, now - begun, excursion)

    def past(self) -> list[Block]:
        """All blocks, newest first."""
        return [block for rung in self.rungs for block in reversed(rung)]

    def colour(self, expected: float, weight: float, least: float) -> float:
        """Ratio of variances: how much more longer blocks scatter than neighbouring ones tell.

        0 where neighbours scatter less than `least` (a standard deviation): there only the last
        bits of the arithmetic differ.
        """
        scatter, n = self.scatter(0), len(self._rings[0])
        if scatter <= least:
            return 0.0
        return self.noise(0.0, expected, weight) * (n + 3) / (scatter * scatter * n)

    def temperature_left(self) -> float:
        """Project how far the temperature still has to go, °C; 0 when at rest or not told.

        Two steps over the last blocks, taken as an exponential: remaining = rate * tau, tau from
        the ratio of the steps. At most `_LAG_S`: a sample that warms for an hour does not disturb a
        compensated reading, the thermometer lagging behind it does.
        """
        seen = [(t, c) for rung in self.rungs[:3] for _, t, _, c in reversed(rung) if c is not None]
        if len(seen) < 6:
            return 0.0
        now, middle, before = seen[0], seen[len(seen) // 2], seen[-1]
        late = (now[1] - middle[1]) / max(now[0] - middle[0], 1e-9)
        early = (middle[1] - before[1]) / max(middle[0] - before[0], 1e-9)
        if early * late <= 0 or abs(now[1] - middle[1]) < _WARM:
            return 0.0
        apart = 0.5 * (now[0] - before[0])
        ratio = late / early
        tau = apart / -log(ratio) if 0.0 < ratio < 0.99 else _LAG_S
        return late * min(tau, _LAG_S)


def middle_mean(values: list[float]) -> float:
    """Give the mean of the middle half (median of three); sorts the list."""
    n = len(values)
    if n < 3:
        return sum(values) / n
    values.sort()
    if n == 3:
        return values[1]
    k = n // 6
    return sum(values[k : n - k]) / (n - 2 * k)


def _join(older: Block, newer: Block) -> Block:
    warm = None
    if older[3] is not None and newer[3] is not None:
        warm = 0.5 * (older[3] + newer[3])
    return (older[0] + newer[0], 0.5 * (older[1] + newer[1]), 0.5 * (older[2] + newer[2]), warm)
