"""The uncertainty budget of a settled value, by the GUM (JCGM 100:2008).

A component is a standard uncertainty with a name, its degrees of freedom and, where it is shared
with other values of the same meter, the way it is shared. An offset is the same for every value and
cancels in a difference; a gain error grows with the value and does not.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

from acquire.errors import WaterError
from acquire.readings import Channel, SettledValue
from acquire.stats.quantiles import t_quantile
from acquire.water.inputs import finite, positive

__all__ = [
    "Budget",
    "Component",
    "Factor",
    "budget_of",
    "combined",
    "coverage_factor",
    "difference",
    "normal_u",
    "product",
    "rectangular_u",
    "resolution_u",
    "triangular_u",
]

Shared = Literal["no", "offset", "gain"]
GAIN_PIVOT = {"ph": 7.0}
"""Value of a quantity at which a gain error does nothing; 0 for all others."""


def resolution_u(step: float) -> float:
    """Give the standard uncertainty of a display step: step/sqrt(12), GUM F.2.2.1."""
    return positive(step, "the resolution", zero=True) / math.sqrt(12.0)


def rectangular_u(half_width: float) -> float:
    """Give the standard uncertainty of ±a, all within equally likely: a/sqrt(3), GUM 4.3.7."""
    return positive(half_width, "the half-width", zero=True) / math.sqrt(3.0)


def triangular_u(half_width: float) -> float:
    """Give the standard uncertainty of ±a with the middle most likely: a/sqrt(6), GUM 4.3.9."""
    return positive(half_width, "the half-width", zero=True) / math.sqrt(6.0)


def normal_u(expanded: float, k: float = 2.0) -> float:
    """Give the standard uncertainty behind an expanded one: U/k, GUM 4.3.3."""
    return positive(expanded, "the expanded uncertainty", zero=True) / positive(k, "k")


@dataclass(frozen=True, slots=True)
class Component:
    """One line of a budget; `u` in the unit of the value."""

    name: str
    u: float
    dof: float = math.inf
    shared: Shared = "no"
    source: str = ""
    """The meter (or check) a shared error belongs to: only equal sources cancel."""

    def __post_init__(self) -> None:
        positive(self.u, f"the uncertainty of {self.name}", zero=True)
        if not self.dof > 0:
            raise WaterError(f"{self.name} needs degrees of freedom above zero, found {self.dof}")


@dataclass(frozen=True, slots=True)
class Budget:
    """A value and the components of its uncertainty, taken as independent of each other."""

    value: float
    components: tuple[Component, ...]
    unit: str = ""
    pivot: float = 0.0

    @property
    def u(self) -> float:
        """Combined standard uncertainty: root sum of squares, GUM 5.1.2."""
        return math.sqrt(math.fsum(part.u**2 for part in self.components))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom: Welch-Satterthwaite, GUM G.4.1."""
        below = math.fsum(part.u**4 / part.dof for part in self.components)
        return math.inf if below == 0 else self.u**4 / below

    def k(self, level: float = 0.95) -> float:
        """Coverage factor for this two-sided level, from Student's t."""
        return coverage_factor(self.dof, level)

    def expanded(self, level: float = 0.95) -> float:
        """Expanded uncertainty U = k u."""
        return self.k(level) * self.u

    def rows(self) -> tuple[tuple[str, float, float], ...]:
        """Give (name, standard uncertainty, share of the variance), largest first."""
        total = self.u**2
        ordered = sorted(self.components, key=lambda part: -part.u)
        return tuple((p.name, p.u, p.u**2 / total if total else 0.0) for p in ordered)

    def plus(self, *components: Component) -> Budget:
        """Give the same value with further components."""
        return replace(self, components=(*self.components, *components))


def coverage_factor(dof: float, level: float = 0.95) -> float:
    """Give k of a two-sided level (0 to 1): Student's t with `dof` cut to a whole number, GUM G.4.

    Infinite degrees of freedom give 1.96 at 95 %.
    """
    if not 0.0 < level < 1.0:
        raise WaterError(f"a level of confidence lies between 0 and 1, found {level:g}")
    if not dof > 0:
        raise WaterError(f"degrees of freedom must be above zero, found {dof:g}")
    whole = dof if math.isinf(dof) else max(1.0, math.floor(dof + 1e-9))
    return _t(level, whole)


@lru_cache(maxsize=4096)
def _t(level: float, whole: float) -> float:
    """A history of years asks for the same few over and over."""
    return t_quantile(0.5 + level / 2.0, whole)


def budget_of(
    settled: SettledValue,
    channel: Channel,
    *,
    meter: str = "",
    unit: str = "",
    noise_dof: float = math.inf,
    check_u: float | None = None,
) -> Budget:
    """Build the budget of a settled value: noise, resolution, remaining drift, meter accuracy.

    The maker's accuracy is a rectangle, the larger of the absolute and the relative part: the
    absolute one is taken as an offset of the meter (it cancels between two values of that meter),
    the relative one as a gain (it does not). A maker's ± may hide a gain, so a difference built on
    an absolute statement is a lower bound unless a two-point check stands behind it. `check_u` is
    the standard uncertainty of a correction by a check, which then replaces the maker's accuracy.
    """
    parts = [
        Component(name, u, noise_dof if name == "noise" else math.inf)
        for name, u in settled.budget.items()
    ]
    if "resolution" not in settled.budget:
        parts.append(Component("resolution", resolution_u(channel.resolution)))
    if check_u is not None:
        parts.append(Component("check", check_u, shared="offset", source=meter))
    else:
        parts.append(_accuracy(settled.value, channel, meter))
    pivot = GAIN_PIVOT.get(settled.quantity, 0.0)
    return Budget(finite(settled.value, settled.quantity), tuple(parts), unit, pivot)


def _accuracy(value: float, channel: Channel, meter: str) -> Component:
    absolute, relative = channel.accuracy, channel.accuracy_relative * abs(value)
    shared: Shared = "offset" if absolute >= relative else "gain"
    return Component("accuracy", rectangular_u(max(absolute, relative)), math.inf, shared, meter)


def difference(a: Budget, b: Budget) -> Budget:
    """Give a - b with the correlation of a common meter kept: offset cancels, gain does not.

    Shared components of equal name, way and source are fully correlated. An offset contributes
    |u_a - u_b|. A gain contributes the relative error times the difference itself: u_a and u_b
    carry the sign of their distance from the pivot. All others add in squares.
    """
    rest_b = {_key(part): part for part in b.components if part.shared != "no" and part.source}
    parts: list[Component] = []
    for part in a.components:
        twin = rest_b.pop(_key(part), None) if part.shared != "no" and part.source else None
        if twin is None:
            parts.append(replace(part, name=f"{part.name} (first)", shared="no"))
        else:
            u = abs(_signed(part, a) - _signed(twin, b))
            parts.append(Component(part.name, u, min(part.dof, twin.dof), source=part.source))
    left = [p for p in b.components if not (p.shared != "no" and p.source)]
    left += rest_b.values()
    parts += [replace(part, name=f"{part.name} (second)", shared="no") for part in left]
    return Budget(a.value - b.value, tuple(parts), a.unit)


def _key(part: Component) -> tuple[str, str, str]:
    return part.name, part.shared, part.source


def _signed(part: Component, budget: Budget) -> float:
    below = part.shared == "gain" and budget.value < budget.pivot
    return -part.u if below else part.u


@dataclass(frozen=True, slots=True)
class Factor:
    """One factor of a product: its value, standard uncertainty and power (-1 divides)."""

    name: str
    value: float
    u: float
    power: float = 1.0
    dof: float = math.inf


def product(*factors: Factor, constant: float = 1.0, unit: str = "") -> Budget:
    """Build the budget of constant x a^p x b^q ... of independent factors, GUM 5.1.6.

    Relative uncertainties add in squares, each times its power. WaterError for a factor of zero,
    whose relative uncertainty is not defined.
    """
    value = finite(constant, "the constant")
    for one in factors:
        if finite(one.value, one.name) == 0:
            raise WaterError(f"{one.name} is zero: its relative uncertainty is not defined")
        value *= math.pow(one.value, one.power)
    parts = (
        Component(one.name, abs(value * one.power * one.u / one.value), one.dof) for one in factors
    )
    return Budget(value, tuple(parts), unit)


def combined(parts: Mapping[str, float] | Sequence[float]) -> float:
    """Give the root sum of squares of independent standard uncertainties, GUM 5.1.2."""
    values = parts.values() if isinstance(parts, Mapping) else parts
    return math.sqrt(math.fsum(positive(u, "an uncertainty", zero=True) ** 2 for u in values))
