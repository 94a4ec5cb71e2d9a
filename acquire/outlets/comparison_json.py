"""A comparison for programs and for the page: plain JSON values, null where nothing is known."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from acquire.bench.comparison import Comparison
from acquire.bench.differing import Row
from acquire.bench.sides import Measured
from acquire.outlets.as_json import as_json, known
from acquire.outlets.comparison_words import answer
from acquire.quantities import Quantity
from acquire.stats.budget import Budget
from acquire.water.cautions import ADVICE, SAFETY

__all__ = ["comparison_json"]


def comparison_json(found: Comparison, quantities: Mapping[str, Quantity]) -> dict[str, Any]:
    """Give all of a comparison."""
    return {
        "is": "comparison",
        "reference": {"water": found.reference_water, "captures": _ids(found.reference)},
        "subject": {"water": found.subject_water, "captures": _ids(found.subject)},
        "answer": answer(found, quantities),
        "rows": [_row(row, quantities[row.quantity]) for row in found.rows],
        "limits": [
            {
                "side": place.side,
                "water": place.water,
                "quantity": place.quantity,
                "limit": place.limit.name,
                "authority": place.limit.authority,
                "kind": place.limit.kind,
                "source": place.limit.source,
                "as_of": place.limit.as_of,
                "lower": place.limit.lower,
                "upper": place.limit.upper,
                "place": place.found.place,
                "probability_inside": place.found.probability,
                "reason": place.found.reason,
            }
            for place in found.places
        ],
        "classes": [
            {
                "side": one.side,
                "water": one.water,
                "quantity": one.quantity,
                "authority": one.classes.authority,
                "kind": one.classes.kind,
                "source": one.classes.source,
                "labels": list(one.labels),
            }
            for one in found.classes
        ],
        "findings": [
            {
                "capture": capture_id,
                "about": finding.about,
                "kind": finding.kind,
                "text": finding.text,
                "arithmetic": finding.arithmetic,
            }
            for capture_id, finding in found.findings
        ],
        "derived": [
            {
                "side": one.side,
                "name": one.name,
                "value": known(one.value),
                "low": known(one.low),
                "high": known(one.high),
                "unit": one.unit,
                "method": one.method,
            }
            for one in found.derived
        ],
        "notes": list(found.notes),
        "captures": [as_json(one) for one in (*found.reference, *found.subject)],
        "cautions": [SAFETY, ADVICE],
    }


def _ids(captures: tuple[Any, ...]) -> list[str]:
    return [one.id for one in captures]


def _row(row: Row, quantity: Quantity) -> dict[str, Any]:
    ratio = row.ratio
    return {
        "quantity": row.quantity,
        "label": quantity.label,
        "unit": quantity.shown_unit,
        "ucum": row.unit,
        "reference": _side(row.reference),
        "subject": _side(row.subject),
        "difference": known(row.difference),
        "expanded_u": known(row.expanded_u),
        "dof": None if row.budget is None else known(row.budget.dof),
        "coverage_factor": None if row.budget is None else known(row.budget.k()),
        "budget": None if row.budget is None else _budget(row.budget),
        "ratio": None
        if ratio is None
        else {
            "value": known(ratio.value),
            "low": known(ratio.low),
            "high": known(ratio.high),
            "is_bounded": ratio.bounded,
            "reason": ratio.reason,
        },
        "matters": known(row.matters),
        "verdict": row.verdict,
        "why": row.why,
    }


def _side(one: Measured | None) -> dict[str, Any] | None:
    if one is None:
        return None
    whole = one.whole
    return {
        "value": known(one.value),
        "expanded_u": known(whole.expanded()),
        "values": [known(value) for value in one.values],
        "budget": _budget(whole),
        "method": one.method,
        "is_imported": one.is_imported,
    }


def _budget(budget: Budget) -> list[dict[str, Any]]:
    dof = {part.name: part.dof for part in budget.components}
    return [
        {"name": name, "u": known(u), "share": share, "dof": known(dof[name])}
        for name, u, share in budget.rows()
    ]
