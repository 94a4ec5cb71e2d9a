"""What can still come: a handful of tails held against the windows of a stream, each weighed.

Every tail says level(lag) = L + a g(lag), where `lag` is seconds before now, L the level at rest
and a what is left to move (g(0) = 1). For each, L has a flat prior and a a Gaussian one, so the
posterior and the evidence are closed formulas of Bayesian linear regression (for instance Bishop,
Pattern Recognition and Machine Learning, 2006, equations 3.49-3.51 and 3.86). The tails:

* at rest: a = 0;
* exponential, g = exp(lag / tau), tau from 4 to 128 s: a glass membrane, a thermometer;
* hyperbolic, g = T / (T - lag), and square root, g = sqrt of that, T the time since the
  disturbance: films and diffusion into a membrane;
* drift: a straight line that never ends;
* an exponential that ends in such a drift.

The size the prior allows for a is bounded by the excursion this immersion has shown: a tail of 8 s
whose step was two minutes ago has nothing left.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erfc, exp, log, sqrt
from operator import mul

from acquire.settle_history import Windows

__all__ = ["Outlook", "TailPrior", "outlook"]

_SLOWEST_S = 128.0
_TAILS = tuple(_SLOWEST_S / 1.55**k for k in range(9))
"""Time constants, s: dense enough that one between two of them is not taken for a drift."""
_LONGEST = 30.0
"""Lags count up to this many time constants (keeps exp far from overflow)."""
_FAR = exp(_LONGEST)
_DRIFTS_WITH = (2, 4, 6)
"""Which of the exponentials are tried together with a drift: 53, 22 and 9 s."""
_NEXT_TO_NOTHING = 1e-300


@dataclass(frozen=True, slots=True)
class TailPrior:
    """How likely each kind is before any data, and how large it may be."""

    rest: float = 0.55
    exponential: float = 0.052
    """Each of them."""
    diffusion: float = 0.017
    """Hyperbolic and square root, each."""
    drift: float = 0.12
    drift_after: float = 0.012
    """Exponential and drift, each."""
    hidden: float = 0.36
    """Size in tolerances of a tail no excursion accounts for."""
    largest: float = 14.0
    """No tail is expected to be larger than this, tolerances: what matters is whether it is one."""
    drift_per_min: float = 1.1
    """Scale of a never-ending drift, tolerances per minute."""
    horizon_s: float = 70.0
    """A drift that moves the tolerance within this time is not rest."""


@dataclass(slots=True)
class Outlook:
    """The weighed view of all tails; changes are relative to the newest level."""

    rest: float
    """Best estimate of the level at rest minus the newest level."""
    variance: float
    """Variance of that, the disagreement of the tails included."""
    mean_variance: float
    """Variance of a plain weighted mean: what noise alone leaves."""
    left: float
    """Best estimate of what is left to move, drifts not counted."""
    rate: float
    """Rate of change now, per second."""
    doubt: float
    """Probability that the level at rest is further than the tolerance from the estimate, or that a
    drift will carry it there within the horizon."""
    kind: str
    """The kind of tail that adds most to the doubt."""
    drifting: float
    """Probability of a drift that matters."""


# One tail held against the data: log weight, left a, rate, L, variance of L, doubt of its own
# (-1: to be had from L), kind.
_Held = tuple[float, float, float, float, float, float, str]


@dataclass(slots=True)
class _Data:
    """What every tail needs of the windows, and the straight line, centred, with its prior."""

    w: Windows
    weighted: list[float]
    sw: float
    mean: float
    line: list[float]
    line_mean: float
    line_square: float
    line_change: float
    line_prior: float
    limit: float

    def centred(self, g: list[float]) -> tuple[float, list[float], float, float]:
        """Weighted mean of g, g less that, its weighted square sum, and its sum with the changes.

        Centred first: the plain sums of a steep tail would cancel to less than nothing.
        """
        weight = self.w.weight
        middle = sum(map(mul, g, weight)) / self.sw
        centred = [x - middle for x in g]
        square = sum(map(mul, map(mul, centred, weight), centred))
        return middle, centred, square, sum(map(mul, centred, self.weighted))


def outlook(w: Windows, elapsed_s: float, tolerance: float, prior: TailPrior) -> Outlook:
    """Weigh every tail. `elapsed_s` > 0 is the time since the disturbance."""
    data = _data(w, tolerance, prior)
    held: list[_Held] = [(log(prior.rest), 0.0, 0.0, data.mean, 1.0 / data.sw, 0.0, "rest")]
    held.append(_drift(data, prior))
    held.extend(_exponentials(data, tolerance, prior))
    held.extend(_diffusion(data, elapsed_s, tolerance, prior))
    return _together(held, tolerance, 1.0 / data.sw)


def _data(w: Windows, tolerance: float, prior: TailPrior) -> _Data:
    weighted = list(map(mul, w.weight, w.change))
    sw = sum(w.weight)
    drift_scale = prior.drift_per_min * tolerance / 60.0
    line_prior = 1.0 / (drift_scale * drift_scale)
    limit = tolerance / prior.horizon_s
    data = _Data(w, weighted, sw, sum(weighted) / sw, [], 0.0, 0.0, 0.0, line_prior, limit)
    line = [-lag for lag in w.lag]
    data.line_mean, data.line, square, data.line_change = data.centred(line)
    data.line_square = square + line_prior
    return data


def _drift(d: _Data, prior: TailPrior) -> _Held:
    r = d.line_change / d.line_square
    evidence = 0.5 * d.line_change * r - 0.5 * log(max(d.line_square / d.line_prior, 1.0))
    at_rest = d.mean - r * d.line_mean
    variance = 1.0 / d.sw + d.line_mean * d.line_mean / d.line_square
    doubt = _outside(r, 1.0 / d.line_square, d.limit)
    return log(prior.drift) + evidence, 0.0, r, at_rest, variance, doubt, "drift"


def _exponentials(d: _Data, tolerance: float, prior: TailPrior) -> list[_Held]:
    held = []
    w = d.w
    chance, with_drift = log(prior.exponential), log(prior.drift_after)
    hidden, largest = prior.hidden * tolerance, prior.largest * tolerance
    for k, tau in enumerate(_TAILS):
        longest = _LONGEST * tau
        g = [exp(lag / tau) if lag < longest else _FAR for lag in w.lag]
        middle, g, square, change = d.centred(g)
        scale = min(hidden + 1.5 * w.edge_change * exp(-w.edge_lag_s / tau), largest)
        own = 1.0 / (scale * scale)
        square += own
        held.append(_tail(d, chance, -1.0 / tau, (middle, square, change, own), "tail"))
        if k in _DRIFTS_WITH:
            across = sum(map(mul, map(mul, g, w.weight), d.line))
            held.append(_drift_after(d, with_drift, (middle, square, change, own), across))
    return held


def _diffusion(d: _Data, elapsed_s: float, tolerance: float, prior: TailPrior) -> list[_Held]:
    w = d.w
    chance = log(prior.diffusion)
    hidden, largest = prior.hidden * tolerance, prior.largest * tolerance
    begun = 1.02 * elapsed_s + 1.0
    hyperbola = [begun / (begun - min(lag, 0.98 * elapsed_s)) for lag in w.lag]
    open_share = max(0.0, 1.0 - w.edge_lag_s / begun)
    held = []
    for g, order, share in (
        (hyperbola, 1.0, open_share),
        (list(map(sqrt, hyperbola)), 0.5, sqrt(open_share)),
    ):
        middle, _, square, change = d.centred(g)
        scale = min(hidden + 0.5 * w.edge_change * share, largest)
        own = 1.0 / (scale * scale)
        fit = (middle, square + own, change, own)
        held.append(_tail(d, chance, -order / begun, fit, "diffusion"))
    return held


def _tail(
    d: _Data, chance: float, rate: float, fit: tuple[float, float, float, float], kind: str
) -> _Held:
    middle, square, change, own = fit
    a = change / square
    evidence = 0.5 * change * a - 0.5 * log(max(square / own, 1.0))
    variance = 1.0 / d.sw + middle * middle / square
    return chance + evidence, a, a * rate, d.mean - a * middle, variance, -1.0, kind


def _drift_after(
    d: _Data, chance: float, fit: tuple[float, float, float, float], across: float
) -> _Held:
    middle, square, change, own = fit
    # Schur complement of the two-parameter fit; by its prior alone never below this
    left = max(d.line_square - across * across / square, d.line_prior)
    r = (d.line_change - across * change / square) / left
    a = (change - across * r) / square
    spread = max((square / own) * (left / d.line_prior), 1.0)
    evidence = 0.5 * (a * change + r * d.line_change) - 0.5 * log(spread)
    at_rest = d.mean - a * middle - r * d.line_mean
    variance = 1.0 / d.sw + middle * middle * d.line_square / (square * left)
    doubt = _outside(r, 1.0 / left, d.limit)
    return chance + evidence, 0.0, r, at_rest, variance, doubt, "drift"


def _outside(mean: float, variance: float, limit: float) -> float:
    """Probability that a Gaussian lies outside ± limit."""
    root = sqrt(2.0 * variance) or _NEXT_TO_NOTHING
    return 0.5 * (erfc((limit - mean) / root) + erfc((limit + mean) / root))


def _together(held: list[_Held], tolerance: float, mean_variance: float) -> Outlook:
    top = max(h[0] for h in held)
    shares = [exp(h[0] - top) for h in held]
    total = sum(shares)
    rest = left = rate = square = 0.0
    for share, h in zip(shares, held, strict=True):
        rest += share * h[3]
        square += share * (h[3] * h[3] + h[4])
        left += share * h[1]
        rate += share * h[2]
    rest /= total
    doubt = drifting = 0.0
    worst, kind = 0.0, "rest"
    for share, h in zip(shares, held, strict=True):
        if share < 1e-4 * total:
            continue
        own = h[5] if h[5] >= 0.0 else _outside(h[3] - rest, h[4], tolerance)
        part = share * own
        doubt += part
        if h[6] == "drift":
            drifting += part
        if part > worst:
            worst, kind = part, h[6]
    return Outlook(
        rest,
        max(square / total - rest * rest, 0.0),
        mean_variance,
        left / total,
        rate / total,
        doubt / total,
        kind,
        drifting / total,
    )
