"""Sums of decaying exponentials, and what a slow sensor makes of them.

Everything in the simulator that is linear in time is such a sum, so a value at any instant comes
from one closed formula: it does not depend on how often anyone looked before.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["Decays", "TwoSpeed", "two_speed"]


@dataclass(frozen=True, slots=True)
class Decays:
    """rest + Σ size · exp(−rate · t), with t >= 0 in seconds and every rate > 0 in 1/s."""

    rest: float
    parts: tuple[tuple[float, float], ...] = ()

    def __call__(self, t_s: float) -> float:
        """Give the value at t seconds; infinity gives where it comes to rest."""
        return self.rest + sum(size * math.exp(-rate * t_s) for size, rate in self.parts)

    def __add__(self, other: Decays) -> Decays:
        return Decays(self.rest + other.rest, self.parts + other.parts)

    def scaled(self, factor: float) -> Decays:
        return Decays(self.rest * factor, tuple((size * factor, rate) for size, rate in self.parts))

    def plus(self, constant: float) -> Decays:
        return Decays(self.rest + constant, self.parts)

    def squared(self) -> Decays:
        crossed = tuple((2 * self.rest * size, rate) for size, rate in self.parts)
        squares = tuple((a * b, j + k) for a, j in self.parts for b, k in self.parts)
        return Decays(self.rest**2, crossed + squares)

    def later(self, by_s: float) -> Decays:
        """Give the same course with its zero moved to `by_s`."""
        return Decays(self.rest, tuple((c * math.exp(-k * by_s), k) for c, k in self.parts))

    def lagged(self, tau_s: float, start: float) -> Decays:
        """Give what a first-order sensor shows that follows this course from the value `start`.

        Solution of tau · y' = u − y, y(0) = start, for u this sum.
        """
        followed = tuple(_follow(size, rate, tau_s) for size, rate in self.parts)
        own = start - self.rest - sum(size for size, _ in followed)
        return Decays(self.rest, (*followed, (own, 1.0 / tau_s)))


def _follow(size: float, rate: float, tau_s: float) -> tuple[float, float]:
    """Give what a sensor makes of one decay.

    At equal rates the true answer is t·exp(−t/tau); a rate off by a millionth comes as close to
    it as anybody can see.
    """
    if abs(1.0 - rate * tau_s) < 1e-6:
        rate = (1.0 - 1e-6) / tau_s
    return size / (1.0 - rate * tau_s), rate


@dataclass(frozen=True, slots=True)
class TwoSpeed:
    """The course of a thermometer that warms more slowly than it cools: at most two pieces."""

    first: Decays
    turn_s: float
    second: Decays

    def __call__(self, t_s: float) -> float:
        return self.first(t_s) if t_s < self.turn_s else self.second(t_s - self.turn_s)


def two_speed(course: Decays, start: float, *, warming_s: float, cooling_s: float) -> TwoSpeed:
    """Follow a course of at most one decay with one time constant upwards and another downwards.

    A thermometer meets such a course once at most: there the other constant takes over, and from
    then on it trails behind on the other side.
    """
    drift = course.parts[0][0] if course.parts else 0.0
    gap = start - course(0.0)
    # Where they start together (but for rounding) the course's own direction decides on which
    # side the thermometer trails.
    together = abs(gap) < 1e-9
    warming = drift < 0 if together else gap < 0
    tau, other = (warming_s, cooling_s) if warming else (cooling_s, warming_s)
    first = course.lagged(tau, start)
    if together or not course.parts:
        return TwoSpeed(first, math.inf, first)
    # first − course = a·exp(−rate·t) + b·exp(−t/tau): zero where exp((1/tau − rate)·t) = −b/a
    (followed, rate), (b, own) = first.parts
    a = followed - drift
    if a == 0 or -b / a <= 0:
        return TwoSpeed(first, math.inf, first)
    turn_s = math.log(-b / a) / (own - rate)
    if turn_s <= 0:
        return TwoSpeed(first, math.inf, first)
    return TwoSpeed(first, turn_s, course.later(turn_s).lagged(other, course(turn_s)))
