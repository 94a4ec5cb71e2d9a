"""Seeded immersions to judge a settling rule by: own response models, own faults, own streams.

Nothing here is shared with the product or its simulators. An immersion has four channels (pH, ORP,
conductivity, temperature) on one time base. Each channel knows the truth it goes to and the oracle:
the first moment after which its noise-free signal stays within tolerance of that truth. Two
families of response models exist: ``main`` (the one rules may be tuned on) and ``held_out`` (other
shapes, other parameters, other noise), on which nothing is ever tuned.

Shapes and ranges follow the trade's experience of hand-held probes (common practice, no source) and
the electrode literature: exponential and square-root-of-time response (Anal. Chem. 1975, 1976),
film diffusion as the logarithm of an exponential, thermometer lags of 5-9 s.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from math import erfc, exp, inf, isfinite, log, log10, nan, pi, sqrt

__all__ = ["QUANTITIES", "Channel", "Immersion", "immersions"]

QUANTITIES = ("ph", "orp", "conductivity", "temperature")
Shape = Callable[[float], float]
"""Seconds since the step to the fraction of the step still to go (1 at the start, 0 at rest)."""


@dataclass(slots=True)
class Channel:
    quantity: str
    absolute: float
    relative: float
    resolution: float
    value: list[float] = field(default_factory=list)
    truth: float | None = None
    """Where the signal comes to rest; None when it never does while the probe is in the water."""
    oracle_s: float | None = None
    low_conductivity: bool = False
    kind: str = ""

    @property
    def tolerance(self) -> float:
        at = self.truth if self.truth is not None else self.value[-1]
        return max(self.absolute, self.relative * abs(at))


@dataclass(slots=True)
class Immersion:
    number: int
    t: list[float]
    channels: dict[str, Channel]
    gives_temperature: bool
    lift_s: float = inf
    """When the probe leaves the water: a record after this moment is false."""
    faults: tuple[str, ...] = ()


def immersions(seed: int, count: int, family: str = "main") -> Iterator[Immersion]:
    """Give `count` immersions; the same seed and family give the same ones on every machine."""
    for number in range(count):
        rng = random.Random(f"{family}-{seed}-{number}")
        made = None
        while made is None:
            made = _immersion(rng, number, family)
        yield made


def _log_uniform(rng: random.Random, low: float, high: float) -> float:
    return low * (high / low) ** rng.random()


# ---- response shapes -------------------------------------------------------------------------


def _exponential(tau: float) -> Shape:
    return lambda t: exp(-t / tau)


def _two_exponentials(fast: float, slow: float, share: float) -> Shape:
    return lambda t: (1 - share) * exp(-t / fast) + share * exp(-t / slow)


def _diffusion(tau: float) -> Shape:
    """exp(x) erfc(sqrt x): uptake by a half space, tail (pi t / tau)^-1/2."""

    def shape(t: float) -> float:
        x = t / tau
        if x < 200:
            return exp(x) * erfc(sqrt(x))
        return (1 - 0.5 / x) / sqrt(pi * x)

    return shape


def _hyperbolic(tau: float) -> Shape:
    return lambda t: tau / (tau + t)


def _main_shape(rng: random.Random, quantity: str, *, poor: bool) -> tuple[str, Shape]:
    low, high = {
        "ph": (20, 120) if poor else (2, 40),
        "orp": (3, 60),
        "conductivity": (0.6, 12),
        "temperature": (4, 20),
    }[quantity]
    tau = _log_uniform(rng, low, high)
    pick = rng.random()
    if quantity in ("conductivity", "temperature"):
        pick *= 0.8
    if pick < 0.5:
        return "exponential", _exponential(tau)
    if pick < 0.8:
        slow = _log_uniform(rng, 20, 100)
        fast = min(tau, slow / 3)
        return "two exponentials", _two_exponentials(fast, slow, rng.uniform(0.03, 0.2))
    if pick < 0.9:
        return "diffusion", _diffusion(_log_uniform(rng, 0.01, 0.6))
    return "hyperbolic", _hyperbolic(_log_uniform(rng, 0.3, 6))


def _held_out_shape(rng: random.Random, quantity: str, *, poor: bool) -> tuple[str, Shape]:
    low, high = {
        "ph": (15, 100) if poor else (3, 40),
        "orp": (5, 60),
        "conductivity": (0.5, 12),
        "temperature": (5, 25),
    }[quantity]
    tau = _log_uniform(rng, low, high)
    pick = rng.random()
    if pick < 0.25:
        ratio = _log_uniform(rng, 2, 5000)  # log film: going down in activity is the slow way
        whole = log10(ratio)
        film = min(tau, 15.0)

        def log_film(t: float) -> float:
            return log10(1 + (ratio - 1) * exp(-t / film)) / whole

        return "log film", log_film
    if pick < 0.45:
        beta = rng.uniform(0.5, 0.85)
        scale = tau * 0.5
        return "stretched", lambda t: exp(-((t / scale) ** beta))
    if pick < 0.65:
        slow = _log_uniform(rng, 25, 120)
        return "two exponentials", _two_exponentials(
            min(tau, slow / 4), slow, rng.uniform(0.05, 0.2)
        )
    if pick < 0.8:
        cross = tau * rng.uniform(0.5, 2)

        def root_then_exponential(t: float) -> float:
            return exp(-t / cross) / sqrt(1 + 4 * t / tau)

        return "root then exponential", root_then_exponential
    if pick < 0.9:
        over = rng.uniform(0.02, 0.12)
        slow = tau * rng.uniform(2, 5)
        return "overshoot", lambda t: (1 + over) * exp(-t / tau) - over * exp(-t / slow)
    order = tau * 0.5
    return "second order", lambda t: (1 + t / order) * exp(-t / order)


# ---- one channel -----------------------------------------------------------------------------

_TOLERANCE = {
    "ph": (0.02, 0.0),
    "orp": (5.0, 0.0),
    "conductivity": (1.0, 0.01),
    "temperature": (0.2, 0.0),
}


def _ends(rng: random.Random, quantity: str) -> tuple[float, float]:
    """Draw where the signal starts and where it comes to rest."""
    sign = rng.choice((-1, 1))
    if rng.random() < 0.05:
        step = 0.0
    else:
        low, high = {
            "ph": (0.05, 4.5),
            "orp": (5, 350),
            "conductivity": (0.02, 3.5),
            "temperature": (0.3, 18),
        }[quantity]
        step = _log_uniform(rng, low, high)
    if quantity == "ph":
        final = rng.uniform(5.0, 9.5)
        return min(13.0, max(1.0, final + sign * step)), final
    if quantity == "orp":
        final = rng.uniform(80, 600)
        return final + sign * step, final
    if quantity == "temperature":
        final = rng.uniform(6, 32)
        return final + sign * step, final
    final = _log_uniform(rng, 30, 4000)
    return (0.0 if rng.random() < 0.35 else final * exp(sign * step)), final


def _resolution(rng: random.Random, quantity: str, final: float) -> float:
    fine = rng.random() < 0.25
    if quantity == "ph":
        return 0.001 if fine else 0.01
    if quantity == "orp":
        return 0.1 if fine else 1.0
    if quantity == "temperature":
        return 0.01 if fine else 0.1
    if final >= 2000:
        return 1.0 if fine else 10.0
    return 0.1 if fine else 1.0


@dataclass(slots=True)
class _Path:
    """The noise-free way of one channel: value at seconds since immersion."""

    start: float
    final: float
    shape: Shape
    kind: str
    hold_s: float = 0.0  # old film: nothing happens yet
    freeze_s: float = inf  # the response stands still ...
    freeze_for_s: float = 0.0  # ... that long
    bubble: float = 0.0  # reads wrong by this ...
    bubble_until_s: float = 0.0  # ... until then
    drift_per_s: float = 0.0
    drift: str = ""
    drift_tau_s: float = 1.0
    dips: tuple[tuple[float, float], ...] = ()
    air: float = 0.0
    back: Shape = exp

    def __call__(self, t: float) -> float:
        for out, into in self.dips:
            if out <= t < into:
                return self.air + (self._wet(out) - self.air) * exp(-(t - out) / 1.5)
        value = self._wet(t)
        for _, into in self.dips:
            if t >= into:
                value += (self.air - value) * 0.8 * self.back(t - into)
        return value

    def _wet(self, t: float) -> float:
        moving = max(0.0, t - self.hold_s)
        if moving > self.freeze_s:
            moving = max(self.freeze_s, moving - self.freeze_for_s)
        value = self.final + (self.start - self.final) * self.shape(moving)
        if self.bubble and t < self.bubble_until_s + 1.0:
            value += self.bubble * min(1.0, max(0.0, self.bubble_until_s + 1.0 - t))
        if self.drift == "linear":
            value += self.drift_per_s * t
        elif self.drift == "logarithmic":
            value += self.drift_per_s * 60 * log(1 + t / 60)
        elif self.drift == "slow":
            value += self.drift_per_s * self.drift_tau_s * (1 - exp(-t / self.drift_tau_s))
        return value


def _path(
    rng: random.Random,
    quantity: str,
    family: str,
    tolerance: float,
    ends: tuple[float, float],
    *,
    poor: bool,
    fate: str,
) -> _Path:
    start, final = ends
    draw = _main_shape if family == "main" else _held_out_shape
    kind, shape = draw(rng, quantity, poor=poor)
    path = _Path(start, final, shape, kind)
    step = final - start
    if fate == "plateau":
        how = rng.choice(("hold", "freeze", "bubble"))
        length = rng.uniform(10, 40)
        if how == "bubble" or abs(step) < 3 * tolerance:
            size = _log_uniform(rng, 2.5 * tolerance, max(12 * tolerance, 0.15 * abs(final)))
            path.bubble = rng.choice((-1, 1)) * size
            # The halt a person sees begins when the response is within tolerance of its end.
            path.bubble_until_s = length + _reach(shape, tolerance / max(abs(step), tolerance))
            path.kind += " + bubble"
        elif how == "hold":
            path.hold_s = length
            path.kind += " + hold"
        else:
            path.freeze_s = _reach(
                shape,
                rng.uniform(0.1, 0.8) if abs(step) > 30 * tolerance else rng.uniform(0.4, 0.9),
            )
            path.freeze_for_s = length
            path.kind += " + freeze"
    elif fate == "drift":
        # slower than the tolerance a minute is no settling rule's business within a minute or two
        rate = rng.choice((-1, 1)) * tolerance * _log_uniform(rng, 1, 8) / 60
        path.drift = rng.choice(("linear", "linear", "logarithmic", "slow"))
        # a drift that slows down like a logarithm must still be one when the trace ends
        path.drift_per_s = rate * 4 if path.drift == "logarithmic" else rate
        path.drift_tau_s = rng.uniform(1200, 3600)
        path.kind += f" + {path.drift} drift"
    return path


def _reach(shape: Shape, left: float) -> float:
    """Seconds until the shape has `left` of its step to go."""
    t = 0.05
    while shape(t) > left and t < 600:
        t *= 1.1
    return t


# ---- noise and streams -----------------------------------------------------------------------


@dataclass(slots=True)
class _Noise:
    sd: float
    correlation_s: float
    heavy: bool
    wander: float = 0.0
    wander_s: float = 30.0
    average_s: float = 0.0
    _red: float = 0.0
    _slow: float = 0.0
    _mean: float | None = None

    def __call__(self, rng: random.Random, dt: float, signal: float) -> float:
        if self.heavy:  # Student t with 3 degrees of freedom, scaled to the same robust width
            chi = sum(rng.gauss(0, 1) ** 2 for _ in range(3)) / 3
            white = rng.gauss(0, 1) / sqrt(max(chi, 1e-9)) * 0.88
        else:
            white = rng.gauss(0, 1)
        if self.correlation_s > 0:
            keep = exp(-dt / self.correlation_s)
            self._red = keep * self._red + sqrt(1 - keep * keep) * white
            white = self._red
        if self.wander:
            keep = exp(-dt / self.wander_s)
            self._slow = keep * self._slow + sqrt(1 - keep * keep) * rng.gauss(0, 1)
        value = signal + self.sd * white + self.wander * self._slow
        if self.average_s > 0:
            keep = exp(-dt / self.average_s)
            self._mean = value if self._mean is None else keep * self._mean + (1 - keep) * value
            return self._mean
        return value


_SCATTER = {
    "ph": (0.04, 0.35),
    "orp": (0.02, 0.3),
    "conductivity": (0.01, 0.2),
    "temperature": (0.01, 0.12),
}
"""Robust width in tolerances. tests/data/open shows 0.25 for a pH electrode, 0.02-0.06 for most
conductivity probes and more for a few, less for thermometers."""


def _noise(rng: random.Random, family: str, tolerance: float, quantity: str) -> _Noise:
    if family == "main":
        low, high = _SCATTER[quantity]
        sd = tolerance * _log_uniform(rng, low, high)
        red = _log_uniform(rng, 0.3, 4) if rng.random() < 0.35 else 0.0
        return _Noise(sd, red, rng.random() < 0.35)
    sd = tolerance * _log_uniform(rng, 0.03, 0.3)
    noise = _Noise(sd, 0.0, rng.random() < 0.4)
    if rng.random() < 0.3:
        noise.wander = tolerance * rng.uniform(0.05, 0.2)
        noise.wander_s = rng.uniform(10, 40)
    if rng.random() < 0.4:
        noise.average_s = _log_uniform(rng, 0.5, 4)
    return noise


def _times(rng: random.Random, family: str, end: float) -> list[float]:
    if family == "main":
        rate = _log_uniform(rng, 0.05, 0.4) if rng.random() < 0.1 else _log_uniform(rng, 0.4, 10)
        jitter = rng.choice((0.0, 0.0, 0.1, 0.4))
    else:
        rate = rng.choice((0.1, 0.5, 1.0, 1.0, 2.0, 2.0, 4.0, 8.0))
        jitter = rng.choice((0.0, 0.02, 0.3))
    period = 1 / rate
    t, times = rng.random() * min(period, 2.0), []
    while t < end:
        times.append(t)
        t += period * max(0.1, 1 + rng.gauss(0, jitter))
        if jitter >= 0.3 and rng.random() < 0.03:
            t += period * rng.uniform(1, 4)  # a radio link loses a few
    return times


def _immersion(rng: random.Random, number: int, family: str) -> Immersion | None:
    poor = rng.random() < 0.15
    temperature_ends = _ends(rng, "temperature")
    fates = {}
    paths: dict[str, _Path] = {}
    tolerances: dict[str, float] = {}
    channels: dict[str, Channel] = {}
    for quantity in QUANTITIES:
        ends = temperature_ends if quantity == "temperature" else _ends(rng, quantity)
        if quantity == "conductivity" and poor:
            ends = (ends[0] * 30 / ends[1], rng.uniform(2, 50))
        absolute, relative = _TOLERANCE[quantity]
        tolerance = max(absolute, relative * abs(ends[1]))
        pick = rng.random()
        fate = "plateau" if pick < 0.06 else "drift" if pick < 0.13 else "rest"
        fates[quantity] = fate
        tolerances[quantity] = tolerance
        paths[quantity] = _path(
            rng, quantity, family, tolerance, ends, poor=poor and quantity == "ph", fate=fate
        )
        channels[quantity] = Channel(
            quantity,
            absolute,
            relative,
            _resolution(rng, quantity, ends[1]),
            kind=paths[quantity].kind,
            low_conductivity=poor,
        )
    disturbance = rng.random()
    lift = inf
    faults = []
    if disturbance < 0.05:
        out = rng.uniform(8, 60)
        into = out + rng.uniform(2, 9)
        faults.append("re-dip")
        for quantity in QUANTITIES:
            path = paths[quantity]
            path.dips = ((out, into),)
            path.air = _air(rng, quantity, path.final)
            path.back = _exponential(_log_uniform(rng, 0.8, 8))
    thermal = _thermal(rng, paths["temperature"], family)
    signals: dict[str, Callable[[float], float]] = {q: paths[q] for q in QUANTITIES}
    signals["conductivity"] = thermal.on_conductivity(paths["conductivity"])
    signals["ph"] = thermal.on_ph(paths["ph"])
    oracles = {}
    for quantity in QUANTITIES:
        if fates[quantity] != "drift":
            found = _oracle_of(signals[quantity], paths[quantity].final, tolerances[quantity])
            if found is None:
                return None  # would take longer than anyone waits: drawn again
            oracles[quantity] = found
    end = max([*oracles.values(), 60.0]) + rng.uniform(130, 260)
    if disturbance > 0.95:
        lift = rng.uniform(20, end)
        end = lift + rng.uniform(5, 25)
        faults.append("lift")
    times = _times(rng, family, end)
    if rng.random() < 0.05 and len(times) > 20:
        gap = rng.uniform(5, end * 0.7)
        length = rng.uniform(10, 60)
        times = [t for t in times if not gap < t < gap + length]
        faults.append("gap")
    for quantity in QUANTITIES:
        channel = channels[quantity]
        if quantity in oracles and (lift == inf or oracles[quantity] < lift):
            channel.truth = paths[quantity].final
            channel.oracle_s = oracles[quantity]
        channel.value = _stream(
            rng,
            family,
            times,
            signals[quantity],
            tolerances[quantity],
            channel,
            lift,
            _air(rng, quantity, paths[quantity].final),
        )
    t = list(times)
    if rng.random() < 0.1:
        faults.append("duplicates")
        t = _shake(rng, t, channels)
    if len(t) < 6:
        return None
    return Immersion(number, t, channels, rng.random() < 0.7, lift, tuple(faults))


def _oracle_of(signal: Callable[[float], float], truth: float, tolerance: float) -> float | None:
    """First moment after which the signal stays within tolerance, to 0.5 s; None beyond 600 s."""
    if abs(signal(600.0) - truth) > tolerance:
        return None
    t = 900.0
    while t > 0 and abs(signal(t) - truth) <= tolerance:
        t -= 10
    fine = max(t, -0.5)
    t = fine + 10.0
    while t > fine and abs(signal(max(t, 0.0)) - truth) <= tolerance:
        t -= 0.5
    return max(0.0, t + 0.5)


@dataclass(slots=True)
class _Thermal:
    """What a thermometer that lags does to the channels compensated with it."""

    step: float
    lag: Shape
    per_k: float
    ph_per_k: float

    def on_conductivity(self, path: _Path) -> Callable[[float], float]:
        return lambda t: path(t) * (1 - self.per_k * self.step * self.lag(t))

    def on_ph(self, path: _Path) -> Callable[[float], float]:
        return lambda t: path(t) + self.ph_per_k * self.step * self.lag(t)


def _thermal(rng: random.Random, path: _Path, family: str) -> _Thermal:
    step = path.start - path.final
    step = max(-12.0, min(12.0, step)) if rng.random() < 0.6 else 0.0
    lag = path.shape if rng.random() < 0.7 else _exponential(_log_uniform(rng, 5, 40))
    per_k = 0.02 if family == "main" else rng.uniform(0.012, 0.023)
    return _Thermal(step, lag, per_k * (rng.random() < 0.5), rng.uniform(-0.005, 0.005))


def _air(rng: random.Random, quantity: str, wet: float) -> float:
    if quantity == "conductivity":
        return 0.0
    if quantity == "temperature":
        return wet + rng.uniform(-6, 4)
    if quantity == "ph":
        return wet + rng.uniform(-2, 2)
    return wet + rng.uniform(-80, 80)


def _stream(
    rng: random.Random,
    family: str,
    times: list[float],
    signal: Callable[[float], float],
    tolerance: float,
    channel: Channel,
    lift: float,
    air: float,
) -> list[float]:
    noise = _noise(rng, family, tolerance, channel.quantity)
    q = channel.resolution
    spikes = rng.random() < 0.25
    stuck_from = stuck_to = inf
    if rng.random() < 0.04:
        stuck_from = rng.uniform(2, 90)
        stuck_to = stuck_from + rng.uniform(5, 25)
    before, held, out = 0.0, nan, []
    for t in times:
        clean = signal(t)
        if t >= lift:
            clean = air + (signal(lift) - air) * exp(-(t - lift) / 1.2)
        value = noise(rng, t - before, clean)
        before = t
        if spikes and rng.random() < 0.008:
            value += rng.choice((-1, 1)) * tolerance * _log_uniform(rng, 2, 60)
        if channel.quantity == "conductivity":
            value = max(0.0, value)
        value = round(value / q) * q
        if stuck_from <= t < stuck_to and isfinite(held):
            value = held
        held = value
        out.append(value)
    return out


def _shake(rng: random.Random, t: list[float], channels: dict[str, Channel]) -> list[float]:
    """Repeat some samples and let some arrive late."""
    order: list[int] = []
    for i in range(len(t)):
        order.append(i)
        pick = rng.random()
        if pick < 0.02:
            order.append(i)
        elif pick < 0.04 and i > 2:
            order.append(i - 2)
        elif pick < 0.05 and len(order) > 2:
            order[-1], order[-2] = order[-2], order[-1]
    for channel in channels.values():
        channel.value = [channel.value[i] for i in order]
    return [t[i] for i in order]
