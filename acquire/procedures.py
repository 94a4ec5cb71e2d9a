"""Published stabilisation procedures, applied as printed, with the contract of `Settler`.

The texts, their limits and the reading of ±x that is taken stand in presets.toml. They are kept for
people who must follow one; as an answer to "has this sensor come to rest" they are poor (see
docs/settling.md). Minutes apart is part of the rule: three readings in three seconds are not it.
"""

from __future__ import annotations

import tomllib
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from math import inf, isfinite, nan, sqrt
from pathlib import Path
from statistics import median
from typing import Any

from acquire.errors import ConfigError
from acquire.quantities import Tolerance
from acquire.settle import Settler, Settling

__all__ = ["Limit", "Procedure", "Rule", "find_rule", "rule_names", "settler_for"]


@dataclass(frozen=True, slots=True)
class Limit:
    """± of a published criterion; above `up_to` another one holds."""

    absolute: float = 0.0
    relative: float = 0.0
    up_to: float = inf
    above: Limit | None = None

    def at(self, value: float) -> float:
        """Half-width in the unit of the quantity for a median of this size."""
        if self.above is not None and abs(value) > self.up_to:
            return self.above.at(value)
        return max(self.absolute, self.relative * abs(value))


@dataclass(frozen=True, slots=True)
class Rule:
    """One published procedure."""

    name: str
    about: str
    source: str
    count: int
    apart_s: float
    limits: Mapping[str, Limit]
    without_limit: Mapping[str, str] = field(default_factory=dict)
    """Quantities the text treats but gives no limit for, and what it says instead."""
    give_up_s: float | None = None


def _limit(found: Any) -> Limit:
    if isinstance(found, (int, float)):
        return Limit(absolute=float(found))
    above = found.get("above")
    parts = {k: float(v) for k, v in found.items() if k != "above"}
    return Limit(**parts, above=None if above is None else _limit(above))


@cache
def _table() -> dict[str, Rule]:
    with Path(__file__).with_name("presets.toml").open("rb") as file:
        rows = tomllib.load(file)["procedure"]
    return {
        name: Rule(
            name=name, **(row | {"limits": {q: _limit(v) for q, v in row["limits"].items()}})
        )
        for name, row in rows.items()
    }


def rule_names() -> tuple[str, ...]:
    return tuple(_table())


def find_rule(name: str) -> Rule:
    """Give the procedure of that name; ConfigError names the allowed ones."""
    try:
        return _table()[name]
    except KeyError:
        raise ConfigError("unknown procedure", found=name, allowed=", ".join(_table())) from None


class Procedure:
    """Follow one quantity by a published procedure; `expanded_u` is the limit it was held to."""

    __slots__ = (
        "_begun",
        "_last_t",
        "_limit",
        "_quantity",
        "_resolution",
        "_rule",
        "_state",
        "_taken",
        "_taken_t",
        "_terms",
    )

    def __init__(self, rule: Rule | str, *, quantity: str, resolution: float = 0.0) -> None:
        self._rule = rule if isinstance(rule, Rule) else find_rule(rule)
        self._quantity = quantity
        self._resolution = resolution
        self._limit = self._rule.limits.get(quantity)
        self._last_t = -inf
        self._clear(None)

    def _clear(self, begun: float | None) -> None:
        self._begun = begun
        self._taken: deque[float] = deque(maxlen=self._rule.count)
        self._taken_t: deque[float] = deque(maxlen=self._rule.count)
        self._terms: list[tuple[str, str]] = []
        self._state = Settling("moving", nan, inf, 0.0, None, "no reading yet")

    def restart(self, t_s: float) -> None:
        """Begin anew: a new immersion or a known disturbance at `t_s`."""
        self._clear(t_s if isfinite(t_s) else None)

    def update(self, t_s: float, value: float, temperature: float | None = None) -> Settling:
        """Take one reading; those closer together than the procedure says are not looked at."""
        del temperature
        if not (self._last_t < t_s < inf and -inf < value < inf):
            return self._state
        self._last_t = t_s
        if self._begun is None:
            self._begun = t_s
        if self._taken_t and t_s - self._taken_t[-1] < self._rule.apart_s - 1e-6:
            return self._state
        self._taken.append(value)
        self._taken_t.append(t_s)
        self._judge(t_s)
        return self._state

    def budget(self) -> Mapping[str, float]:
        """Standard uncertainties; the limit counts as the half-width of a rectangle."""
        remaining = self._state.expanded_u / sqrt(3.0)
        return {"noise": 0.0, "resolution": self._resolution / sqrt(12.0), "remaining": remaining}

    def explain(self) -> list[tuple[str, str]]:
        """The terms that decided last."""
        return list(self._terms)

    def _judge(self, t: float) -> None:
        rule, taken = self._rule, self._taken
        middle = median(taken)
        span_min = (self._taken_t[-1] - self._taken_t[0]) / 60.0
        drift = (taken[-1] - taken[0]) / span_min if span_min > 0 else 0.0
        limit = self._limit.at(middle) if self._limit is not None else inf
        off = max(abs(v - middle) for v in taken)
        missing = rule.count - len(taken)
        self._terms = [
            ("readings", f"{len(taken)} of {rule.count}, {rule.apart_s / 60:g} min apart"),
            ("furthest from their median", f"{off:.4g}"),
            ("limit", "none" if limit == inf else f"{limit:.4g}"),
            ("source", rule.source),
        ]
        if self._limit is None:
            words = rule.without_limit.get(self._quantity, "the procedure gives no limit for it")
            self._state = Settling("moving", middle, inf, drift, None, words)
        elif missing > 0:
            eta = missing * rule.apart_s
            words = f"{missing} more reading{'s' * (missing > 1)} {rule.apart_s / 60:g} min apart"
            self._state = Settling("settling", middle, inf, drift, eta, words)
        elif off <= limit * (1 + 1e-9):
            self._state = Settling("settled", middle, limit, drift, 0.0, "")
        else:
            words = f"a reading is {off:.3g} from the median, ±{limit:.3g} allowed"
            begun = self._begun if self._begun is not None else t
            if rule.give_up_s is not None and t - begun >= rule.give_up_s:
                words += f"; not stable in {rule.give_up_s / 60:g} min: record value and drift"
            self._state = Settling("moving", middle, inf, drift, None, words)


def settler_for(
    preset: str, tolerance: Tolerance, *, resolution: float = 0.0, quantity: str = ""
) -> Settler | Procedure:
    """Give what follows one quantity: the detector under a preset, or a published procedure."""
    if preset in _table():
        return Procedure(preset, quantity=quantity, resolution=resolution)
    return Settler(tolerance, resolution=resolution, quantity=quantity, preset=preset)
