"""An uncertainty budget as a table for people, and as JSON."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from acquire.quantities import Quantity
from acquire.stats.budget import Budget

__all__ = ["WORDS", "budget_json", "budget_table"]

WORDS = {
    "noise": "noise",
    "resolution": "resolution of the display",
    "remaining": "what may be left to move",
    "slow tail": "a slow tail nobody can see yet",
    "memory of the other water": "the electrode's memory of the other",
    "accuracy": "the meter's accuracy (its maker's ±)",
    "check": "the checks behind its correction",
}


def budget_table(budget: Budget, quantity: Quantity) -> Iterator[str]:
    """Give a line a component, largest first, then the sum with its coverage factor.

    Standard uncertainties in the quantity's unit; shares are of the variance.
    """
    unit = f" {quantity.shown_unit}".rstrip()
    yield f"    {'uncertainty budget (GUM)':<40}{'u' + (f' ({unit.strip()})' if unit else ''):>12}"
    for name, u, share in budget.rows():
        if u > 0:
            yield f"      {WORDS.get(name, name):<38}{u:>12.2g}{100 * share:>7.0f} %"
    dof, k = budget.dof, budget.k()
    degrees = "infinite" if math.isinf(dof) or dof > 1000 else f"{dof:.0f}"
    yield f"      {'combined':<38}{budget.u:>12.2g}"
    yield f"      effective degrees of freedom {degrees}, coverage factor k = {k:.2f}"
    yield f"      {'U = k u (95 %)':<38}{k * budget.u:>12.2g}"


def budget_json(budget: Budget) -> dict[str, Any]:
    """The same for programs; `dof` is null when infinite."""
    dof = budget.dof
    return {
        "components": {part.name: part.u for part in budget.components},
        "u": budget.u,
        "dof": None if math.isinf(dof) else dof,
        "k": budget.k(),
        "expanded_u": budget.expanded(),
    }
