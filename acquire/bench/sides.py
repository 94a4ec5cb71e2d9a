"""One side of a comparison: what its captures say of each quantity, with the whole budget. Pure.

The value in use is the derived one where there is one (corrected, at 25 °C), else the meter's own.
Repeats are averaged: noise becomes smaller by it; resolution, remaining change, a slow tail and
what the meter is off do not, for they may be the same in every repeat.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import fmean

from acquire.bench.budgets import noise_dof
from acquire.bench.slow_tail import SLOW_TAIL, slow_tail
from acquire.checks import StandingCorrection
from acquire.readings import Capture, Channel, SettledValue
from acquire.stats.budget import Budget, Component, budget_of, rectangular_u

__all__ = ["ALONE", "IMPORTED", "Channels", "CheckTerms", "Measured", "in_use", "measured"]

Channels = Mapping[str, Mapping[str, Channel]]
"""By meter, then by quantity."""

CheckTerms = Mapping[tuple[str, str, int], tuple[float, ...]]
"""By correction, how each of its anchors moves the value: standard uncertainties with a sign."""

ALONE = ("noise", "resolution", "remaining", SLOW_TAIL)
"""Terms of the settling itself: what two captures of one water may differ by."""

IMPORTED = "imported: nobody knows whether it had come to rest, and how"
"""Why nothing is said of a number that `ouzel import` brought."""

PH_SPAN = 7.0
"""pH from the pivot to the end of the scale, over which a maker's ± is taken to hold."""


@dataclass(frozen=True, slots=True)
class Measured:
    """What one or more captures of a water say of one quantity."""

    quantity: str
    values: tuple[float, ...]
    """One a capture, as they are in use."""
    budget: Budget
    """Of their mean, everything included but the checks behind a correction."""
    checks: CheckTerms
    method: str
    """How the values in use came about; empty for the meter's own."""
    is_imported: bool
    captures: tuple[str, ...] = ()
    """Ids, one a value."""

    @property
    def value(self) -> float:
        return self.budget.value

    @property
    def whole(self) -> Budget:
        """The budget of the value by itself, checks included."""
        u = math.sqrt(math.fsum(part**2 for parts in self.checks.values() for part in parts))
        return self.budget.plus(Component("check", u)) if self.checks else self.budget


def in_use(capture: Capture, quantity: str) -> SettledValue | None:
    """Give the value that counts: derived where there is one, else as the meter said it."""
    return capture.derived.get(quantity) or capture.values.get(quantity)


def measured(
    quantity: str,
    captures: Sequence[Capture],
    channels: Channels,
    corrections: Iterable[StandingCorrection],
    *,
    sources: Mapping[str, str],
    unit: str = "",
) -> Measured | None:
    """Give what captures of one water say of a quantity; None when it settled in none of them.

    `sources` gives by capture id what an error of the meter is shared under: captures of one meter
    in one session share one, so that its offset cancels between them.
    """
    singles, checks, values, ids = [], [], [], []
    known = list(corrections)
    for capture in captures:
        value, channel = in_use(capture, quantity), _channel(capture, quantity, channels)
        if value is None or value.phase != "settled" or channel is None:
            continue
        if not math.isfinite(value.value):
            continue
        if not value.budget and not math.isfinite(value.expanded_u) and value.source == "meter":
            continue  # settled by somebody who does not say how well
        values.append(value)
        ids.append(capture.id)
        terms = _check_terms(capture, value, known)
        checks.append(terms)
        anchors = max((len(parts) for parts in terms.values()), default=0)
        dof = noise_dof(capture, value)
        single = _single(value, channel, sources[capture.id], anchors, dof)
        tail = slow_tail(capture, value, sources[capture.id])
        single = single.plus(tail) if tail is not None else single
        singles.append(replace(single, unit=unit))
    if not values:
        return None
    return Measured(
        quantity,
        tuple(value.value for value in values),
        _mean(singles),
        _mean_checks(checks),
        next((value.method for value in values if value.method), ""),
        any(value.source == "imported" for value in values),
        tuple(ids),
    )


def _channel(capture: Capture, quantity: str, channels: Channels) -> Channel | None:
    mine = channels.get(capture.meter, {})
    found = mine.get(quantity)
    if found is not None or quantity != "tds" or "tds" not in capture.derived:
        return found
    # Computed by ouzel from the conductivity: it is as accurate as that, in its own unit.
    source, said = mine.get("conductivity"), in_use(capture, "conductivity")
    if source is None or said is None or not said.value:
        return None
    factor = capture.derived["tds"].value / said.value
    return replace(
        source,
        quantity="tds",
        resolution=source.resolution * (factor or 0.5),
        accuracy=source.accuracy * factor,
    )


def _single(value: SettledValue, channel: Channel, source: str, anchors: int, dof: float) -> Budget:
    """Budget of one capture's value; what checks add is kept apart, for it may cancel."""
    bare = replace(value, budget={k: u for k, u in value.budget.items() if k != "check"})
    if not bare.budget and math.isfinite(value.expanded_u):
        bare = replace(bare, budget={"settling": value.expanded_u / 2.0})
    check_u = 0.0 if anchors else None
    found = budget_of(bare, channel, meter=source, noise_dof=dof, check_u=check_u)
    found = replace(found, components=tuple(p for p in found.components if p.name != "check"))
    if value.quantity == "ph" and channel.accuracy > 0 and anchors < 2:
        # A maker's ± may be an offset or a slope. As an offset it cancels in a difference; that
        # it is all slope, reaching the ± at the end of the scale, must be allowed for as well.
        u = rectangular_u(channel.accuracy) * abs(value.value - found.pivot) / PH_SPAN
        found = found.plus(Component("slope within the accuracy", u, shared="gain", source=source))
    return found


def _check_terms(
    capture: Capture, value: SettledValue, corrections: Sequence[StandingCorrection]
) -> dict[tuple[str, str, int], tuple[float, ...]]:
    """Take the checks' term apart into its anchors, with signs, so that what is shared cancels."""
    total = value.budget.get("check", 0.0)
    if not total:
        return {}
    for one in reversed(corrections):
        said = capture.values.get(one.quantity)
        if one.meter != capture.meter or said is None or one.method not in value.method:
            continue
        here = one.u_at(said.value)
        scale = total / here if here else 0.0
        key = (one.meter, one.quantity, one.from_ms)
        if len(one.anchors) == 1:
            return {key: (scale * one.anchors[0].u,)}
        first, second = one.anchors
        w = (said.value - first.said) / (second.said - first.said)
        return {key: (scale * (1.0 - w) * first.u, scale * w * second.u)}
    return {(capture.id, value.quantity, 0): (total,)}  # of a correction nobody knows any more


def _mean(budgets: Sequence[Budget]) -> Budget:
    n = len(budgets)
    if n == 1:
        return budgets[0]
    kept: dict[tuple[str, str, str], list[Component]] = {}
    for budget in budgets:
        for part in budget.components:
            kept.setdefault((part.name, part.shared, part.source), []).append(part)
    parts = []
    for (name, _, _), some in kept.items():
        if name == "noise":
            u = math.sqrt(math.fsum(part.u**2 for part in some)) / n
            dof = math.fsum(part.dof for part in some)
        else:
            u, dof = math.fsum(part.u for part in some) / n, min(part.dof for part in some)
        parts.append(replace(some[0], u=u, dof=dof))
    return replace(
        budgets[0], value=fmean(budget.value for budget in budgets), components=tuple(parts)
    )


def _mean_checks(found: Sequence[CheckTerms]) -> CheckTerms:
    total: dict[tuple[str, str, int], list[float]] = {}
    for terms in found:
        for key, parts in terms.items():
            sums = total.setdefault(key, [0.0] * len(parts))
            for place, part in enumerate(parts):
                sums[place] += part / len(found)
    return {key: tuple(parts) for key, parts in total.items()}
