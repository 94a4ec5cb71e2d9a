"""How far one quantity of two waters is apart, and whether that can be told. Pure.

The difference is taken with the correlation of a common meter (`acquire.stats.budget.difference`):
what the meter is off by a fixed amount cancels, what it is off in proportion does not. Where waters
were captured more than once, the scatter between repeats is held against what the captures
themselves say, and what it is larger by is added with its few degrees of freedom (Welch and
Satterthwaite, JCGM 100:2008 G.4).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import fmean
from typing import Literal

from acquire.bench.sides import ALONE, IMPORTED, Measured
from acquire.bench.slow_tail import SLOW_TAIL, tail_apart
from acquire.quantities import BUILT_IN, Quantity
from acquire.stats.budget import Budget, Component, difference
from acquire.stats.compare import Ratio, fieller

__all__ = [
    "Asked",
    "Differs",
    "Row",
    "Scatter",
    "difference_between",
    "pooled",
    "row_of",
    "scatter_of",
    "told",
]

Differs = Literal["yes", "no", "cannot tell"]

_HAS_NO_ZERO = {"[pH]", "mV", "Cel", "[degF]", "1", "K"}
"""Units in which a ratio means nothing: logarithms, conventional zeros, ratios near one."""


@dataclass(frozen=True, slots=True)
class Scatter:
    """How repeats of one quantity scatter: standard deviation of one, in settling tolerances."""

    sd: float
    dof: int


@dataclass(frozen=True, slots=True)
class Asked:
    """What is known of a quantity besides what was measured."""

    quantity: Quantity
    matters: float
    against: str = ""
    """What speaks against any verdict."""
    scatter: Scatter | None = None
    apart_c: float = 0.0
    """How much warmer one water was than the other, °C."""
    warmth: float = 0.0
    """What that alone can make of the difference, in the quantity's unit."""


@dataclass(frozen=True, slots=True)
class Row:
    """One quantity in two waters; numbers in the quantity's unit."""

    quantity: str
    unit: str
    """UCUM."""
    reference: Measured | None
    """None where it did not settle or was not measured."""
    subject: Measured | None
    budget: Budget | None
    """Of the difference, subject minus reference."""
    ratio: Ratio | None
    """Subject over reference; None where it means nothing."""
    matters: float
    """A difference of this size matters to the person."""
    verdict: Differs
    """Differs beyond what this probe can tell."""
    why: str
    is_withheld: bool = False
    """Something speaks against any verdict: the interval is none to rest on."""

    @property
    def difference(self) -> float | None:
        return None if self.budget is None else self.budget.value

    @property
    def expanded_u(self) -> float | None:
        """95 % expanded uncertainty of the difference."""
        return None if self.budget is None else self.budget.expanded()


def row_of(asked: Asked, first: Measured | None, second: Measured | None) -> Row:
    """Compare one quantity of a reference (first) and a subject (second)."""
    quantity, matters, scatter = asked.quantity, asked.matters, asked.scatter
    common = (quantity.name, quantity.unit, first, second)
    if first is None or second is None:
        which = "either" if first is second else "the reference" if first is None else "the subject"
        why = f"it did not come to rest in {which}, or nothing is known of what measured it"
        return Row(*common, None, None, matters, "cannot tell", why)
    budget = difference_between(first, second)
    if scatter is not None:
        budget = _with_scatter(budget, first, second, scatter, quantity)
    verdict, why = _verdict(asked, budget, first, second)
    ratio = _ratio(quantity, first, second, budget)
    return Row(*common, budget, ratio, matters, verdict, why, is_withheld=bool(asked.against))


def difference_between(first: Measured, second: Measured) -> Budget:
    """Give second minus first; what both share of a meter, of its memory and of a check cancels."""
    found = _apart(first.budget, second.budget)
    parts = [
        Component(
            part.name.replace("(first)", "(subject)").replace("(second)", "(reference)"),
            part.u,
            part.dof,
            part.shared,
            part.source,
        )
        for part in found.components
    ]
    u = math.sqrt(_check_variance(first, second))
    return Budget(found.value, (*parts, Component("check", u)) if u else tuple(parts), found.unit)


def _apart(first: Budget, second: Budget) -> Budget:
    """Give second minus first; slow tails of one electrode in one session are not independent."""
    tails = [
        [part for part in one.components if part.name == SLOW_TAIL and part.source]
        for one in (first, second)
    ]
    here, there = (some[0] if some else None for some in tails)
    if here is None or there is None or here.source != there.source:
        return difference(second, first)
    bare = [
        replace(one, components=tuple(p for p in one.components if p.name != SLOW_TAIL))
        for one in (first, second)
    ]
    found = difference(bare[1], bare[0])
    return found.plus(*tail_apart(here, there, found.value))


def _check_variance(first: Measured, second: Measured) -> float:
    """Variance that the checks add to the difference: what both share of an anchor cancels."""
    total = 0.0
    for key in {**first.checks, **second.checks}:
        here, there = first.checks.get(key, ()), second.checks.get(key, ())
        width = max(len(here), len(there))
        pairs = zip(_padded(here, width), _padded(there, width), strict=True)
        total += math.fsum((a - b) ** 2 for a, b in pairs)
    return total


def _padded(parts: Sequence[float], width: int) -> Sequence[float]:
    return (*parts, *([0.0] * (width - len(parts))))


def _with_scatter(
    budget: Budget, first: Measured, second: Measured, scatter: Scatter, quantity: Quantity
) -> Budget:
    """Add what repeats scatter by beyond what each capture says of itself.

    Total variance is the larger of the two; the degrees of freedom of what is added make those of
    the total come out as those of the scatter.
    """
    seen = scatter.sd**2 * math.fsum(
        quantity.tolerance.at(one.value) ** 2 / len(one.values) for one in (first, second)
    )
    said = math.fsum(p.u**2 for p in budget.components if p.name.partition(" (")[0] in ALONE)
    more = seen - said
    if more <= 0:
        return budget
    dof = scatter.dof * (more / seen) ** 2
    return budget.plus(Component("between repeats", math.sqrt(more), dof))


def _ratio(quantity: Quantity, first: Measured, second: Measured, budget: Budget) -> Ratio | None:
    """Give subject over reference by Fieller; an error in proportion that both share cancels."""
    if quantity.unit in _HAS_NO_ZERO or quantity.low < 0 or first.value <= 0:
        return None
    repeats = math.fsum(p.u**2 for p in budget.components if p.name == "between repeats")
    u_first, u_second = (math.sqrt(one.whole.u**2 + repeats / 2.0) for one in (first, second))
    covariance = math.fsum(
        math.fsum(a * b for a, b in zip(parts, second.checks.get(key, ()), strict=False))
        for key, parts in first.checks.items()
    )
    theirs = {(p.name, p.shared, p.source): p.u for p in second.budget.components}
    covariance += math.fsum(
        p.u * theirs.get((p.name, p.shared, p.source), 0.0)
        for p in first.budget.components
        if p.shared != "no" and p.source
    )
    return fieller(
        second.value, u_second, first.value, u_first, covariance=covariance, z=budget.k()
    )


def _verdict(
    asked: Asked, budget: Budget, first: Measured, second: Measured
) -> tuple[Differs, str]:
    """Decide, unless something speaks against any verdict."""
    if first.is_imported or second.is_imported:
        return "cannot tell", IMPORTED
    if asked.against:
        return "cannot tell", asked.against
    if asked.warmth:
        return _told_apart(asked, budget)
    return told(budget, asked.matters)


def _told_apart(asked: Asked, budget: Budget) -> tuple[Differs, str]:
    """Decide of waters that are not equally warm: what warmth can make is nobody's difference."""
    size, u, warmth = abs(budget.value), budget.expanded(), asked.warmth
    apart = f"{asked.apart_c:.1f} °C"
    made = f"{warmth:.2g} {asked.quantity.shown_unit}".rstrip()
    if size > u + warmth:
        return "yes", f"more than its uncertainty and what {apart} can make of it ({made})"
    if size + u + warmth <= asked.matters:
        return told(budget, asked.matters)
    can = f"{made} of it" if math.isfinite(warmth) else "any of it"
    return "cannot tell", f"being {apart} apart can make {can}: let both stand in one room"


def told(budget: Budget, matters: float) -> tuple[Differs, str]:
    """Decide by the 95 % interval alone: beyond zero, within what matters, or neither."""
    size, u = abs(budget.value), budget.expanded()
    if size > u:
        small = size + u < matters
        why = "the difference is larger than its uncertainty"
        return "yes", f"{why}, and smaller than what matters ({matters:.2g})" if small else why
    if size + u <= matters:
        return "no", f"equal within {size + u:.2g}; a difference of {matters:.2g} would have shown"
    return "cannot tell", f"± {u:.2g} is too much to see a difference of {matters:.2g}"


def scatter_of(
    quantity: str,
    groups: Iterable[Sequence[float]],
    quantities: Mapping[str, Quantity] = BUILT_IN,
) -> Scatter | None:
    """Pool the scatter of groups of repeats, each taken in settling tolerances at its own mean.

    A conductivity scatters in proportion, a pH does not: the tolerance says which. None without a
    group of two.
    """
    total, dof = 0.0, 0
    for group in groups:
        if len(group) > 1:
            mean = fmean(group)
            size = quantities[quantity].tolerance.at(mean)
            total += math.fsum(((value - mean) / size) ** 2 for value in group)
            dof += len(group) - 1
    return Scatter(math.sqrt(total / dof), dof) if dof else None


def pooled(found: Sequence[Scatter]) -> Scatter | None:
    """Pool what several groups of repeats say; None where nobody repeated anything."""
    dof = sum(one.dof for one in found)
    if not dof:
        return None
    return Scatter(math.sqrt(math.fsum(one.dof * one.sd**2 for one in found) / dof), dof)
