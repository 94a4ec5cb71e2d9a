"""The history of a water for programs and for the page; null where nothing is known."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from acquire.bench.history import QuantityHistory, WaterHistory
from acquire.bench.movement import Change, WaterTrend
from acquire.outlets.as_json import known
from acquire.outlets.check_json import check_json
from acquire.outlets.count_json import count_json
from acquire.quantities import Quantity
from acquire.readings import utc_text
from acquire.water.cautions import ADVICE, SAFETY

__all__ = ["history_json"]


def history_json(found: WaterHistory, quantities: Mapping[str, Quantity]) -> dict[str, Any]:
    """Give all of it, oldest first."""
    return {
        "is": "history",
        "water": found.water,
        "quantities": [_quantity(one, quantities[one.quantity]) for one in found.quantities],
        "counts": [count_json(one) for one in found.counts],
        "notes": list(found.notes),
        "cautions": [SAFETY, ADVICE],
    }


def _quantity(one: QuantityHistory, quantity: Quantity) -> dict[str, Any]:
    chart = one.chart
    return {
        "quantity": one.quantity,
        "label": quantity.label,
        "unit": quantity.shown_unit,
        "ucum": one.unit,
        "points": [
            {
                "at": utc_text(point.at_ms),
                "value": known(point.value),
                "expanded_u": known(point.expanded_u),
                "captures": list(point.captures),
                "round": point.round_id or None,
                "meter": point.meter,
                "is_imported": point.is_imported,
                "is_doubted": point.is_doubted,
                "flags": list(point.flags),
            }
            for point in one.points
        ],
        "trend": None if one.trend is None else _trend(one.trend),
        "chart": None
        if chart is None
        else {
            "mean": chart.mean,
            "lower": chart.lower,
            "upper": chart.upper,
            "outside": list(chart.outside),
        },
        "change": None if one.change is None else _change(one.change),
        "checks": [check_json(check) for check in one.checks],
    }


def _trend(trend: WaterTrend) -> dict[str, Any]:
    drift = trend.drift
    return {
        "per_month": known(trend.per_month),
        "low": known(trend.low),
        "high": known(trend.high),
        "p_value": trend.p_value,
        "method": "Theil-Sen, per 30 days, 95 % (Sen 1968)",
        "meter_drift": None
        if drift is None
        else {
            "per_month": known(drift.per_month),
            "low": known(drift.low),
            "high": known(drift.high),
            "checks": drift.checks,
            "solution": drift.solution,
        },
        "verdict": trend.verdict,
        "why": trend.why,
    }


def _change(change: Change) -> dict[str, Any]:
    return {
        "since": utc_text(change.since_ms),
        "difference": known(change.budget.value),
        "expanded_u": known(change.budget.expanded()),
        "verdict": change.verdict,
        "why": change.why,
        "meter_drift_taken_off": change.by_checks,
    }
