"""Published rules for "it has settled", as baselines, each with the settings it may be tuned over.

Formulas: successive readings in a band as field manuals print them; slope t-test and its use as in
Kelly & Hedengren 2013 (J. Process Control 23:326); R-statistic of Cao & Rhinehart 1995 (J. Process
Control 5:363); von Neumann ratio (Ann. Math. Statist. 1941); MSER-5 of White 1997; a free
exponential fitted by least squares. All of them look at a window in seconds, ignore repeated and
late samples, and record the mean (exponential fit: the asymptote) of their window.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise, product
from math import exp, inf, sqrt
from statistics import fmean, median

from immersions import Channel

__all__ = ["RULES", "settings_of"]


@dataclass(slots=True)
class State:
    phase: str = "moving"
    value: float = 0.0
    expanded_u: float = 0.0


class _Windowed:
    """A rule on the samples of the last `window_s` seconds, looked at no more than twice a second."""

    def __init__(self, channel: Channel, window_s: float) -> None:
        self.channel = channel
        self.window_s = window_s
        self.kept: deque[tuple[float, float]] = deque()
        self.begun: float | None = None
        self.looked = -inf
        self.state = State()

    def update(self, t: float, value: float, temperature: float | None = None) -> State:
        kept = self.kept
        if kept and t <= kept[-1][0]:
            return self.state
        if self.begun is None:
            self.begun = t
        kept.append((t, value))
        while t - kept[0][0] > self.window_s:
            kept.popleft()
        if t - self.begun < self.window_s * 0.9 or len(kept) < 3 or t - self.looked < 0.45:
            return self.state
        self.looked = t
        times = [k[0] for k in kept]
        values = [k[1] for k in kept]
        tolerance = max(self.channel.absolute, self.channel.relative * abs(values[-1]))
        found = self.decide(times, values, tolerance)
        settled = found is not None
        if self.state.phase == "settled" and not settled:
            settled = (
                abs(fmean(values) - self.state.value) <= tolerance
            )  # hysteresis: fair to noise
            found = fmean(values)
        if settled and found is not None:
            self.state = State("settled", found, 2 * _spread(values) + tolerance * 0.5)
        else:
            self.state = State()
        return self.state

    def decide(self, t: list[float], x: list[float], tolerance: float) -> float | None:
        raise NotImplementedError


class WindowRange(_Windowed):
    """Largest minus smallest of the window is within a multiple of the tolerance."""

    def __init__(self, channel: Channel, window_s: float, band: float) -> None:
        super().__init__(channel, window_s)
        self.band = band

    def decide(self, t: list[float], x: list[float], tolerance: float) -> float | None:
        return fmean(x) if max(x) - min(x) <= self.band * tolerance else None


class Successive:
    """`count` readings, taken `every_s` apart, lie within a band of ± a multiple of tolerance."""

    def __init__(self, channel: Channel, count: int, every_s: float, band: float) -> None:
        self.channel, self.every_s, self.band = channel, every_s, band
        self.taken: deque[float] = deque(maxlen=count)
        self.next_s = -inf
        self.state = State()

    def update(self, t: float, value: float, temperature: float | None = None) -> State:
        if t < self.next_s:
            return self.state
        self.next_s = t + self.every_s
        self.taken.append(value)
        tolerance = max(self.channel.absolute, self.channel.relative * abs(value))
        full = len(self.taken) == self.taken.maxlen
        if full and max(self.taken) - min(self.taken) <= 2 * self.band * tolerance:
            self.state = State("settled", median(self.taken), tolerance)
        else:
            self.state = State()
        return self.state


class SlopeTest(_Windowed):
    """The slope is not significant (|b| <= t se) and the window's spread is within the band."""

    def __init__(self, channel: Channel, window_s: float, t_crit: float, band: float) -> None:
        super().__init__(channel, window_s)
        self.t_crit, self.band = t_crit, band

    def decide(self, t: list[float], x: list[float], tolerance: float) -> float | None:
        b, se, sd = _line(t, x)
        quiet = abs(b) <= self.t_crit * se + 1e-15
        return fmean(x) if quiet and 2 * sd <= self.band * tolerance else None


class SteadyProbability(_Windowed):
    """Share of samples within t_crit sd of the mean once the mean step is removed."""

    def __init__(self, channel: Channel, window_s: float, t_crit: float, share: float) -> None:
        super().__init__(channel, window_s)
        self.t_crit, self.share = t_crit, share

    def decide(self, t: list[float], x: list[float], tolerance: float) -> float | None:
        n = len(x)
        m = (x[-1] - x[0]) / (n - 1)
        mu = (sum(x) - m * n * (n - 1) / 2) / n
        sd = sqrt(sum((v - m * i - mu) ** 2 for i, v in enumerate(x)) / max(n - 2, 1))
        sd = max(sd, self.channel.resolution / sqrt(12))
        level = fmean(x)
        inside = sum(abs(v - level) <= self.t_crit * sd for v in x) / n
        return level if inside >= self.share else None


class RStatistic:
    """Ratio of two variances from exponential filters; below the limit is steady."""

    def __init__(self, channel: Channel, l1: float, l23: float, limit: float) -> None:
        self.channel, self.l1, self.l23, self.limit = channel, l1, l23, limit
        self.xf: float | None = None
        self.previous = 0.0
        self.nu2 = self.d2 = 0.0
        self.seen = 0
        self.last = -inf
        self.state = State()

    def update(self, t: float, value: float, temperature: float | None = None) -> State:
        if t <= self.last:
            return self.state
        self.last = t
        if self.xf is None:
            self.xf = self.previous = value
            return self.state
        self.seen += 1
        floor = self.channel.resolution**2 / 12
        self.nu2 = self.l23 * (value - self.xf) ** 2 + (1 - self.l23) * self.nu2
        self.xf = self.l1 * value + (1 - self.l1) * self.xf
        self.d2 = self.l23 * (value - self.previous) ** 2 + (1 - self.l23) * self.d2
        self.previous = value
        ratio = (2 - self.l1) * (self.nu2 + floor) / (self.d2 + 2 * floor)
        tolerance = max(self.channel.absolute, self.channel.relative * abs(value))
        if self.seen > 2 / self.l1 and ratio < self.limit and sqrt(self.nu2) < tolerance:
            self.state = State("settled", self.xf, 2 * sqrt(self.nu2) + floor**0.5)
        elif self.state.phase != "settled" or abs(self.xf - self.state.value) > tolerance:
            self.state = State()
        return self.state


class VonNeumann(_Windowed):
    """Mean square successive difference over variance is high enough, spread within the band."""

    def __init__(self, channel: Channel, window_s: float, limit: float, band: float) -> None:
        super().__init__(channel, window_s)
        self.limit, self.band = limit, band

    def decide(self, t: list[float], x: list[float], tolerance: float) -> float | None:
        level = fmean(x)
        n = len(x)
        floor = self.channel.resolution**2 / 12
        variance = sum((v - level) ** 2 for v in x) / (n - 1) + floor
        successive = sum((b - a) ** 2 for a, b in pairwise(x)) / (n - 1) + 2 * floor
        within = 2 * sqrt(variance) <= self.band * tolerance
        return level if within and successive / variance >= self.limit else None


class Mser(_Windowed):
    """MSER-5 truncation falls in the first part of the window; the rest is its mean."""

    def __init__(self, channel: Channel, window_s: float, first: float, band: float) -> None:
        super().__init__(channel, window_s)
        self.first, self.band = first, band

    def decide(self, t: list[float], x: list[float], tolerance: float) -> float | None:
        size = max(1, min(5, len(x) // 8))
        batches = [fmean(x[i : i + size]) for i in range(0, len(x) - size + 1, size)]
        n = len(batches)
        best, cut, total, square = inf, 0, 0.0, 0.0
        for d in range(n - 1, -1, -1):
            total += batches[d]
            square += batches[d] ** 2
            k = n - d
            if k >= 3:
                score = max(square - total * total / k, 0.0) / (k * k)
                if score <= best:
                    best, cut = score, d
        rest = x[cut * size :]
        steady = cut <= self.first * n and 2 * _spread(rest) <= self.band * tolerance
        return fmean(rest) if steady else None


class ExponentialFit(_Windowed):
    """A + B exp(-t / tau) by least squares; settled once what is left of B is within the band."""

    def __init__(self, channel: Channel, window_s: float, band: float) -> None:
        super().__init__(channel, window_s)
        self.band = band

    def decide(self, t: list[float], x: list[float], tolerance: float) -> float | None:
        step = max(1, len(t) // 40)
        t, x = t[::step], x[::step]
        span = t[-1] - t[0]
        best, found = inf, (0.0, 0.0)
        for k in range(10):
            tau = span * 0.06 * 1.5**k
            g = [exp(-(s - t[-1]) / tau) for s in t]
            gm, xm = fmean(g), fmean(x)
            gg = sum((v - gm) ** 2 for v in g)
            b = sum((v - gm) * (y - xm) for v, y in zip(g, x, strict=True)) / gg
            a = xm - b * gm
            rss = sum((y - a - b * v) ** 2 for v, y in zip(g, x, strict=True))
            if rss < best:
                best, found = rss, (a, b)
        a, b = found
        return a if abs(b) <= self.band * tolerance and sqrt(best / len(x)) <= tolerance else None


def _line(t: list[float], x: list[float]) -> tuple[float, float, float]:
    tm, xm = fmean(t), fmean(x)
    sxx = sum((a - tm) ** 2 for a in t)
    b = sum((a - tm) * (v - xm) for a, v in zip(t, x, strict=True)) / sxx
    rss = sum((v - xm - b * (a - tm)) ** 2 for a, v in zip(t, x, strict=True))
    sd = sqrt(rss / max(len(t) - 2, 1))
    return b, sd / sqrt(sxx), _spread(x)


def _spread(x: list[float]) -> float:
    level = fmean(x)
    return sqrt(sum((v - level) ** 2 for v in x) / max(len(x) - 1, 1))


RULES: dict[str, tuple[Callable[..., object], dict[str, tuple[float, ...]]]] = {
    "windowed range": (WindowRange, {"window_s": (15, 30, 45, 60), "band": (0.5, 1, 1.5, 2)}),
    "three successive": (
        Successive,
        {"count": (3,), "every_s": (5, 10, 20, 30), "band": (0.25, 0.5, 1)},
    ),
    "five successive": (
        Successive,
        {"count": (5,), "every_s": (2, 5, 10, 15), "band": (0.25, 0.5, 1)},
    ),
    "slope t-test": (SlopeTest, {"window_s": (20, 40, 60), "t_crit": (1, 2), "band": (0.5, 1, 2)}),
    "steady probability": (
        SteadyProbability,
        {"window_s": (20, 40, 60), "t_crit": (1.5, 2), "share": (0.7, 0.9)},
    ),
    "R-statistic": (RStatistic, {"l1": (0.05, 0.2), "l23": (0.05, 0.1), "limit": (0.9, 1.2, 2)}),
    "von Neumann": (
        VonNeumann,
        {"window_s": (20, 40, 60), "limit": (0.8, 1.2), "band": (0.5, 1, 2)},
    ),
    "MSER-5": (Mser, {"window_s": (30, 60, 90), "first": (0.25, 0.5), "band": (0.5, 1, 2)}),
    "exponential fit": (ExponentialFit, {"window_s": (30, 60), "band": (0.1, 0.25, 0.5, 1)}),
}


def settings_of(name: str) -> Iterator[dict[str, float]]:
    keys = RULES[name][1]
    for values in product(*keys.values()):
        yield dict(zip(keys, values, strict=True))
