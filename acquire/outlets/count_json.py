"""Particle counts for programs and for the page."""

from __future__ import annotations

from typing import Any

from acquire.bench.particles import CountComparison, CountResult
from acquire.outlets.as_json import known
from acquire.readings import utc_text
from acquire.water.cautions import ADVICE, MICROSCOPE, SAFETY

__all__ = ["count_comparison_json", "count_json"]


def count_json(found: CountResult, *, withdrawn: str = "") -> dict[str, Any]:
    """Give a count as it was kept, and what it says; null where a number is not known."""
    one = found.count
    return {
        "is": "count",
        "id": one.id,
        "at": utc_text(one.at_ms),
        "water": one.water,
        "role": str(one.role) if one.role else None,
        "round": one.round_id or None,
        "fields": list(one.fields),
        "shapes": dict(one.shapes),
        "bubbles": one.bubbles,
        "field_mm": one.field_mm or None,
        "field_mm_u": one.field_mm_u or None,
        "drop_ul": one.drop_ul or None,
        "drop_ul_u": one.drop_ul_u or None,
        "slip_mm2": one.slip_mm2 or None,
        "slip_mm2_u": one.slip_mm2_u or None,
        "optics": one.optics,
        "note": one.note,
        "withdrawn": withdrawn or None,
        "total": found.total,
        "none_seen": found.is_none_seen,
        "per_field": {
            "value": found.per_field,
            "low": found.per_field_low,
            "high": found.per_field_high,
            "upper_one_sided": found.upper_per_field,
        },
        "per_ml": None
        if found.per_ml is None
        else {
            "value": found.per_ml,
            "low": known(found.per_ml_low),
            "high": known(found.per_ml_high),
            "upper_one_sided": known(found.upper_per_ml),
            "volume_ml": found.volume_ml,
            "volume_relative_u": found.volume_u,
        },
        "p_even": known(found.p_even),
        "how": list(found.how),
        "warnings": list(found.warnings),
        "cautions": [SAFETY, ADVICE, MICROSCOPE],
    }


def count_comparison_json(found: CountComparison) -> dict[str, Any]:
    """Give two counts and how they compare."""
    ratio = found.ratio
    return {
        "is": "count_comparison",
        "reference": count_json(found.reference),
        "subject": count_json(found.subject),
        "ratio": {"value": known(ratio.value), "low": known(ratio.low), "high": known(ratio.high)},
        "p_value": ratio.p_value,
        "exposure": found.exposure,
        "verdict": found.verdict,
        "why": found.why,
        "cautions": [SAFETY, ADVICE, MICROSCOPE],
    }
