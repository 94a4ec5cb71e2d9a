"""One word for how a meter stands, for topics and pages."""

from __future__ import annotations

from acquire.bench.standing import Status

__all__ = ["standing_word"]


def standing_word(status: Status) -> str:
    """Give `air`, `moving`, `settling` or `settled`: the least settled quantity decides."""
    if status.medium == "air":
        return "air"
    phases = {row.settling.phase for row in status.rows if row.settling and row.is_required}
    return next((word for word in ("moving", "settling", "settled") if word in phases), "moving")
