"""Checks, solutions, the state of a meter and its corrections, for programs."""

from __future__ import annotations

import math
from typing import Any

from acquire.bench.meter_state import Drift, MeterState, SolutionState
from acquire.checks import Check, StandingCorrection
from acquire.readings import utc_text
from acquire.water.solutions import Solution

__all__ = ["check_json", "correction_json", "solution_json", "state_json"]


def check_json(check: Check) -> dict[str, Any]:
    said = {name: getattr(check, name) for name in check.__dataclass_fields__ if name != "at_ms"}
    return {"is": "check", "at": utc_text(check.at_ms), **said, "bias": check.bias}


def solution_json(solution: Solution) -> dict[str, Any]:
    return {
        "name": solution.name,
        "label": solution.label,
        "quantities": [one.quantity for one in solution.expects],
        "cautions": list(solution.cautions),
        "opened_days": solution.opened_days,
        "source": solution.source,
    }


def correction_json(one: StandingCorrection) -> dict[str, Any]:
    line = one.line
    return {
        "is": "correction",
        "meter": one.meter,
        "quantity": one.quantity,
        "offset": line.offset,
        "gain": line.gain,
        "pivot": line.pivot,
        "from": utc_text(one.from_ms),
        "checks": list(one.check_ids),
        "method": one.method,
    }


def state_json(state: MeterState) -> dict[str, Any]:
    electrode = state.electrode
    return {
        "is": "meter",
        "meter": state.meter,
        "at": utc_text(state.now_ms),
        "check_every_days": state.every_days,
        "quantities": {
            one.quantity: {
                "is_good": one.is_good,
                "good_until": None if one.good_until_ms is None else utc_text(one.good_until_ms),
                "reason": one.reason,
                "solutions": {s.solution: _solution(s) for s in one.solutions},
            }
            for one in state.quantities
        },
        "electrode": None
        if electrode is None
        else {
            "at": utc_text(electrode.at_ms),
            "temp_c": electrode.temp_c,
            "slope_percent": electrode.electrode.slope_percent,
            "offset_mv": electrode.electrode.offset_mv,
            "verdict": electrode.verdict,
            "reasons": list(electrode.reasons),
            "checks": [check.capture_id for check in electrode.checks],
        },
        "corrections": [correction_json(one) for one in state.corrections],
    }


def _solution(state: SolutionState) -> dict[str, Any]:
    chart = state.chart
    return {
        "last": check_json(state.last),
        "checks": len(state.checks),
        "mistaken": state.mistaken,
        "drift": None if state.drift is None else _drift(state.drift),
        "chart": None
        if chart is None
        else {
            "mean": chart.mean,
            "lower": chart.lower,
            "upper": chart.upper,
            "biases": [check.bias for check in state.checks],
            "outside": [state.checks[index].capture_id for index in chart.outside],
        },
    }


def _drift(drift: Drift) -> dict[str, Any]:
    low, high = (None if v is None or math.isinf(v) else v for v in (drift.low, drift.high))
    return {
        "per_month": drift.per_month,
        "low": low,
        "high": high,
        "checks": drift.checks,
        "days": drift.days,
    }
