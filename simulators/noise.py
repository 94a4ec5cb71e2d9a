"""What makes the last digits dance: coloured noise, slow wander, outliers. Seeded.

The noise moves once a display update and draws the same numbers in the same order whatever is
done with them, so a trace depends on the seed alone.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

__all__ = ["Noise", "NoiseTraits"]


@dataclass(frozen=True, slots=True)
class NoiseTraits:
    """How noise looks, sizes apart."""

    correlation_s: float = 3.0
    """A meter averages over a few seconds inside, which colours the noise (common practice)."""
    wander_s: float = 40.0
    """Slow wander of junction and platinum: chosen here, between the averaging and a dwell."""
    outlier_chance: float = 0.05
    """Chance that an update carries an outlier. Bare titrator boards show more than twice as
    many (of 2942 open plateau readings 15 % are more than 1 mV off at a robust sd of 0.28 mV);
    a meter that averages hides most of them. The share left is chosen here, not measured."""


class Noise:
    """One coloured value of unit variance, one wander and one outlier for each name."""

    def __init__(
        self, seed: str, names: tuple[str, ...], period_s: float, traits: NoiseTraits
    ) -> None:
        self._seed = seed
        self._names = names
        self._traits = traits
        self._keep = math.exp(-period_s / traits.correlation_s)
        self._fresh = math.sqrt(1.0 - self._keep**2)
        self._keep_slow = math.exp(-period_s / traits.wander_s)
        self._fresh_slow = math.sqrt(1.0 - self._keep_slow**2)
        # After this many updates unseen nothing of the past is left: starting afresh is as true.
        self._forget = math.ceil(40.0 * max(traits.correlation_s, traits.wander_s) / period_s)
        self.quick: dict[str, float] = {}
        self.slow: dict[str, float] = {}
        self.outlier: dict[str, float] = {}
        """Laplace distributed with scale 1 where there is one, else 0."""
        self.lot = 1.0
        """Uniform in [0, 1), one an update, for faults."""
        self._restart(0)

    def step(self, update: int, steps: int) -> None:
        """Move on by `steps` updates, to the one with this number."""
        if steps > self._forget:
            self._restart(update)
            return
        for _ in range(steps):
            self._one()

    def _restart(self, update: int) -> None:
        self._random = random.Random(f"{self._seed}:{update}")
        for name in self._names:
            self.quick[name] = self._random.gauss(0.0, 1.0)
            self.slow[name] = self._random.gauss(0.0, 1.0)
        self._one()

    def _one(self) -> None:
        draw, quick, slow = self._random, self.quick, self.slow
        for name in self._names:
            quick[name] = self._keep * quick[name] + self._fresh * draw.gauss(0.0, 1.0)
            slow[name] = self._keep_slow * slow[name] + self._fresh_slow * draw.gauss(0.0, 1.0)
            side = draw.random() / self._traits.outlier_chance if self._traits.outlier_chance else 1
            self.outlier[name] = _laplace(side) if side < 1.0 else 0.0
        self.lot = draw.random()


def _laplace(uniform: float) -> float:
    """Turn a uniform number in [0, 1) into a Laplace distributed one of scale 1."""
    centred = uniform - 0.5
    return math.copysign(-math.log(max(1e-12, 1.0 - 2.0 * abs(centred))), centred)
