"""One JSON form of everything that is said, for `--json` and for programs that listen."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

from acquire.bench.standing import Explanation, Said, Status
from acquire.readings import Capture, Event, Reading, SettledValue, utc_text
from acquire.rounds import Guidance

__all__ = ["as_json", "finite", "json_line", "known"]


def known(number: float | None) -> float | None:
    """JSON has no infinity and no NaN: what is not known is null."""
    return number if number is not None and math.isfinite(number) else None


def finite(value: Any) -> Any:
    """Give plain JSON values: what is no finite number becomes null, tuples lists."""
    if isinstance(value, Mapping):
        return {str(name): finite(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [finite(one) for one in value]
    return known(value) if isinstance(value, float) else value


def json_line(item: Said) -> str:
    """One line of JSON, ASCII only, so that no terminal or log can be tricked by a name."""
    return json.dumps(as_json(item), allow_nan=False, separators=(",", ":"))


def as_json(item: Said) -> dict[str, Any]:
    """A dictionary of plain JSON values; `is` says what it is."""
    match item:
        case Reading():
            return {
                "is": "reading",
                "meter": item.meter,
                "at": utc_text(item.stamp.at_ms),
                "values": dict(item.values),
                "flags": {name: str(flag) for name, flag in item.flags.items()},
                "raw": item.raw,
            }
        case Event():
            return {
                "is": "event",
                "kind": item.kind,
                "meter": item.meter,
                "at": utc_text(item.stamp.at_ms),
                "text": item.text,
                "data": dict(item.data),
            }
        case Capture():
            return {
                "is": "capture",
                "id": item.id,
                "state": str(item.state),
                "meter": item.meter,
                "water": item.water,
                "role": str(item.role) if item.role else None,
                "started": utc_text(item.started.at_ms),
                "taken": utc_text(item.taken.at_ms),
                "reason": item.reason,
                "values": {name: _settled(value) for name, value in item.values.items()},
                "derived": {name: _settled(value) for name, value in item.derived.items()},
            }
        case Explanation():
            return {
                "is": "explanation",
                "meter": item.meter,
                "capture": item.capture_id,
                "terms": {name: dict(terms) for name, terms in item.terms.items()},
            }
        case Guidance():
            return {
                "is": "guidance",
                "meter": item.meter,
                "round": item.round_id,
                "plan": item.plan,
                "position": item.position,
                "say": item.say,
                "then": item.then,
                "stops": [{"text": text, "state": state} for text, state in item.stops],
                "question": item.question,
                "answers": list(item.answers),
                "warnings": list(item.warnings),
                "over": item.is_over,
            }
        case Status():
            return {
                "is": "status",
                "meter": item.meter,
                "at": utc_text(item.stamp.at_ms),
                "medium": item.medium,
                "immersion": item.immersion,
                "elapsed_s": round(item.elapsed_s, 1),
                "phases": {r.quantity: r.settling.phase for r in item.rows if r.settling},
                "capture": item.capture.id if item.capture else None,
                "unconfirmed_s": round(item.unconfirmed_s, 1) if item.capture else None,
            }


def _settled(value: SettledValue) -> dict[str, Any]:
    return {
        "value": known(value.value),
        "expanded_u": known(value.expanded_u),
        "phase": value.phase,
        "drift_per_min": known(value.drift_per_min),
        "settled_after_s": value.settled_after_s,
        "source": value.source,
        "method": value.method,
        "reason": value.reason,
        "budget": {term: known(u) for term, u in value.budget.items()},
    }
