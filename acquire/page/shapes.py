"""The JSON of the page: what `outlets.as_json` says, with what a screen needs beside it. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

from acquire.bench.standing import Row, Status
from acquire.outlets.as_json import as_json
from acquire.outlets.live import headline, rest_fraction
from acquire.quantities import Quantity, Tolerance
from acquire.readings import Reading, utc_text
from acquire.watch.history import ADVICE, TITLES
from acquire.watch.kept import Alert

__all__ = [
    "Measures",
    "alert_json",
    "quantity_json",
    "reading_json",
    "status_json",
]


class Measures(Protocol):
    """What is used of a configuration."""

    @property
    def quantities(self) -> Mapping[str, Quantity]: ...
    def tolerance(self, quantity: str) -> Tolerance: ...


def quantity_json(quantity: Quantity) -> dict[str, Any]:
    return {
        "label": quantity.label,
        "unit": quantity.unit,
        "shown_unit": quantity.shown_unit,
        "digits": quantity.digits,
        "low": quantity.low,
        "high": quantity.high,
    }


def reading_json(reading: Reading) -> dict[str, Any]:
    """A reading without what came over the wire, which is there for those who ask."""
    said = as_json(reading)
    del said["raw"]
    return said


def status_json(status: Status, config: Measures) -> dict[str, Any]:
    said = as_json(status)
    return {
        **said,
        "unconfirmed_s": said["unconfirmed_s"] if status.capture else None,
        "water": status.water,
        "say": headline(status).removeprefix(f"{status.meter}: "),
        "rows": [_row(row, config) for row in status.rows],
    }


def _row(row: Row, config: Measures) -> dict[str, Any]:
    said: dict[str, Any] = {
        "quantity": row.quantity,
        "value": row.value,
        "flag": None if row.flag is None else str(row.flag),
        "required": row.is_required,
    }
    now = row.settling
    if now is None:
        nothing = ("phase", "rest", "settling_value", "expanded_u", "tolerance")
        return {**said, **dict.fromkeys((*nothing, "drift_per_min", "eta_s", "reason"))}
    tolerance = config.tolerance(row.quantity).at(now.value)
    near = min(0.95, rest_fraction(now.expanded_u, tolerance))
    return {
        **said,
        "phase": now.phase,
        "rest": 1.0 if now.phase == "settled" else near,
        "settling_value": now.value,
        "expanded_u": now.expanded_u,
        "tolerance": tolerance,
        "drift_per_min": now.drift_per_min,
        "eta_s": None if now.phase == "settled" else now.eta_s,
        "reason": now.reason,
    }


def alert_json(alert: Alert) -> dict[str, Any]:
    seen, over = alert.acknowledged_ms, alert.cleared_ms
    return {
        "id": alert.id,
        "watch": alert.watch,
        "kind": alert.kind,
        "title": TITLES.get(alert.kind, alert.kind),
        "text": alert.text,
        "advice": ADVICE.get(alert.kind, ""),
        "raised": utc_text(alert.raised_ms),
        "acknowledged": None if seen is None else utc_text(seen),
        "cleared": None if over is None else utc_text(over),
        "cleared_text": alert.cleared_text,
    }
