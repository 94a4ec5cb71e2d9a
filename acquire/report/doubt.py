"""Where each ± comes from: the budgets of the waters' values and of their differences (GUM)."""

from __future__ import annotations

import math
from collections.abc import Iterator

from acquire.bench.comparison import Comparison
from acquire.outlets.budget import WORDS
from acquire.readings import CaptureState, Role
from acquire.report.gather import Taken
from acquire.report.grid import grid
from acquire.report.markup import Markup, join, tag
from acquire.report.measured import title_of
from acquire.report.view import View, figures
from acquire.stats.budget import Budget

__all__ = ["budgets_of"]

_HEADS = {
    "noise": "Noise",
    "resolution": "Display step",
    "remaining": "May still move",
    "accuracy": "Meter's accuracy",
    "check": "Checks behind its correction",
}
_LEAST = 0.005
"""Share of the variance below which a part of a difference is not named."""


def budgets_of(view: View) -> Iterator[Markup]:
    """Give the differences first, then each final capture of a compared water."""
    tables = [_differences(view, one) for one in view.all.comparisons]
    tables += [
        _values(view, taken)
        for taken in view.all.taken
        if taken.capture.state is CaptureState.FINAL
        and taken.capture.role in {Role.REFERENCE, Role.SUBJECT, None}
        and taken.budgets
    ]
    if not tables:
        return
    yield tag(
        "p",
        "Each part is a standard uncertainty u in the unit of the quantity, with its share of the "
        "variance; together they are the root of the sum of squares. U = k u holds 95 %, k is "
        "Student's t for the effective degrees of freedom (DoF). What both waters share, as an "
        "offset of the meter, cancels in the difference.",
        class_="small",
    )
    yield from tables


def _differences(view: View, one: Comparison) -> Markup:
    def rows() -> Iterator[tuple[Markup, ...]]:
        for row in one.rows:
            budget = row.budget
            if budget is None:
                continue
            parts = [
                f"{WORDS.get(name, name)} {figures(u)} ({100 * share:.0f} %)"
                for name, u, share in budget.rows()
                if share >= _LEAST
            ]
            yield (
                _quantity(view, row.quantity),
                join("; ".join(parts)),
                join(_degrees(budget)),
                join(f"{budget.k():.2f}"),
                tag("b", figures(budget.expanded())),
            )

    here, there = view.water(one.reference_water), view.water(one.subject_water)
    return grid(
        f"Difference of {there} and {here}",
        ("Quantity", "Parts, largest first", "DoF", "k", "U (95 %)"),
        rows(),
        numbers=(2, 3, 4),
        look="stack small",
    )


def _values(view: View, taken: Taken) -> Markup:
    names = dict.fromkeys(
        part.name for one in taken.budgets.values() for part in one.components if part.u > 0
    )
    known = list(_HEADS)
    order = sorted(names, key=lambda name: known.index(name) if name in known else len(known))

    def rows() -> Iterator[tuple[Markup, ...]]:
        for name, budget in taken.budgets.items():
            yield (
                _quantity(view, name),
                *(_part(budget, part) for part in order),
                join(_degrees(budget)),
                join(f"{budget.k():.2f}"),
                tag("b", figures(budget.expanded())),
            )

    heads = ("Quantity", *(_HEADS.get(name, name) for name in order), "DoF", "k", "U (95 %)")
    return grid(
        title_of(view, taken.capture),
        heads,
        rows(),
        numbers=tuple(range(1, len(heads))),
        look="stack small whole",
    )


def _quantity(view: View, name: str) -> Markup:
    unit = view.unit(name)
    return join(view.label(name), tag("span", f" {unit}", class_="quiet") if unit else "")


def _part(budget: Budget, name: str) -> Markup:
    for part, u, share in budget.rows():
        if part == name and u > 0:
            return join(figures(u), tag("span", f" {100 * share:.0f} %", class_="part"))
    return join("–")


def _degrees(budget: Budget) -> str:
    dof = budget.dof
    return "∞" if math.isinf(dof) or dof > 1000 else f"{dof:.0f}"
