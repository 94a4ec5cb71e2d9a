"""Signs by which a halt that deceives differs from rest: what a learnt risk has to go by.

All in tolerances, seconds and minutes, so that they know no unit. What has a sign of its own counts
positive in the direction in which the response came, so that a rise and a fall tell the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import copysign, exp, log, prod

from acquire.settle_history import History
from acquire.settle_view import View

__all__ = ["DECIMALS", "SIGNS", "signs"]

_HORIZONS_S = (10.0, 20.0, 45.0, 70.0)
_LEVELS = (0.5, 1.0, 1.5, 2.0, 4.0, 6.0, 12.0)
SIGNS = (
    "log doubt",
    "within the tolerance, s",
    "since the disturbance, s",
    "excursion",
    "step of the display",
    "noise of the mean",
    "share of drifts in the doubt",
    *(f"slope over {h:.0f} s, per min" for h in _HORIZONS_S),
    "slope now, per min",
    "bend, per half minute squared",
    *(f"since {x:g} away, s" for x in _LEVELS),
    "noise of a reading",
    "colour of the noise",
    "left to move",
    "rate of the tails, per min",
)
"""What each number is, in their order."""
_CAME_FROM = 2.0
"""Tolerances away: from there the direction of the response is told."""
_LEAST_DOUBT = exp(-9.0)
_NEXT_TO_NOTHING = 1e-12
_ALL_COLOUR = 50.0
_NO_SLOPE = 1e-3
"""Tolerances per minute: less is rounding, and tells no direction."""
DECIMALS = 4
"""Each sign is rounded, so that a limit lies between two values and never on one."""
_SLACK_S = 1.0
"""A window takes in the block at its far edge."""


def signs(
    history: History,
    now: float,
    value: float,
    view: View,
    elapsed: float,
    *,
    scatter: float,
    colour: float,
) -> list[float]:
    """Give one number for each of `SIGNS`, for the learnt risk.

    `now` is on the clock of the history, `value` what would be recorded, `elapsed` seconds since
    the disturbance; `scatter` of a reading is in the unit of the value, `colour` a ratio of
    variances (`History.colour`). The tolerance of the view is above 0.
    """
    found, tolerance = view.outlook, view.tolerance
    past = history.past()
    lag = [now - t for _, t, _, _ in past]
    off = [(y - value) / tolerance for _, _, y, _ in past]
    weight = [float(m) for m, _, _, _ in past]
    slopes = [_slope(lag, off, weight, h + _SLACK_S) for h in _HORIZONS_S]
    slope_now, bend = _bend(lag, off, weight, view.dwell + _SLACK_S)
    left, rate = found.left / tolerance, found.rate * 60.0 / tolerance
    way = _way(off, slopes[-1], rate)
    told = (
        log(max(found.doubt, _LEAST_DOUBT)),
        view.dwell,
        elapsed,
        (history.high - history.low) / tolerance,
        view.step / tolerance,
        found.mean_variance**0.5 / tolerance,
        found.drifting / max(found.doubt, _NEXT_TO_NOTHING),
        *(way * s for s in slopes),
        way * slope_now,
        way * bend,
        *(_since(lag, off, level, elapsed) for level in _LEVELS),
        scatter / tolerance,
        min(colour, _ALL_COLOUR),
        way * left,
        way * rate,
    )
    return [round(x, DECIMALS) for x in told]


def _way(off: list[float], slope: float, rate: float) -> float:
    """Tell the direction of the response: where it came from, else where it seems to go."""
    far = next((d for d in off if abs(d) > _CAME_FROM), 0.0)
    if far:
        return copysign(1.0, -far)
    return next((copysign(1.0, x) for x in (slope, rate) if abs(x) > _NO_SLOPE), 1.0)


def _since(lag: list[float], off: list[float], level: float, never: float) -> float:
    """Seconds since it was last further away than `level`."""
    return next((t for t, d in zip(lag, off, strict=True) if abs(d) > level), never)


def _within(lag: list[float], reach: float, least: int) -> int:
    """Count the blocks of the last `reach` seconds, or take the `least` newest of a slow meter."""
    return max(sum(1 for t in lag if t <= reach), min(least, len(lag)))


def _slope(lag: list[float], off: list[float], weight: list[float], reach: float) -> float:
    """Weighted least squares over the last `reach` seconds, per minute; 0 of too few blocks."""
    n = _within(lag, reach, 4)
    if n < 3:
        return 0.0
    sw = sx = sy = sxx = sxy = 0.0
    for x, y, w in zip(lag[:n], off, weight, strict=False):
        sw += w
        sx += w * x
        sy += w * y
        sxx += w * x * x
        sxy += w * x * y
    spread = sxx * sw - sx * sx
    return -60.0 * (sxy * sw - sx * sy) / spread if spread > 0.0 else 0.0


def _bend(
    lag: list[float], off: list[float], weight: list[float], reach: float
) -> tuple[float, float]:
    """Slope now and curvature of a weighted parabola over the last `reach` seconds.

    By polynomials orthogonal on the lags (Forsythe, J. SIAM 5, 1957): nothing to invert.
    """
    n = _within(lag, reach, 5)
    if n < 5:
        return 0.0, 0.0
    x, y, w = lag[:n], off[:n], weight[:n]
    sw = sum(w)
    middle = _sum(w, x) / sw
    u = [a - middle for a in x]
    square = _sum(w, u, u)
    if square <= 0.0:
        return 0.0, 0.0
    skew = _sum(w, u, u, u) / square
    mean_square = square / sw
    v = [a * a - skew * a - mean_square for a in u]
    fourth = _sum(w, v, v)
    first = _sum(w, u, y) / square
    second = _sum(w, v, y) / fourth if fourth > 0.0 else 0.0
    return 60.0 * (second * (2.0 * middle + skew) - first), 900.0 * second


def _sum(*factors: Sequence[float]) -> float:
    return sum(map(prod, zip(*factors, strict=True)))
