"""How everything stands at this moment: what a page shows first."""

from __future__ import annotations

from itertools import islice
from typing import Any

from acquire import __version__
from acquire.outlets.as_json import as_json
from acquire.page.context import Page
from acquire.page.orders import words_known
from acquire.page.shapes import alert_json, quantity_json
from acquire.readings import Capture, utc_text
from acquire.store.records import Records

__all__ = ["snapshot"]

_SITTING_MS = 12 * 3_600_000
_ROUND_MS = 7 * 86_400_000
_MOST = 50


async def snapshot(page: Page, number: int) -> dict[str, Any]:
    """Give all of it; `number` is the last thing the listener knows of."""
    now_ms = page.now_ms()
    captures, alerts = await page.reader.ask(
        lambda records: (
            _captures(records, now_ms),
            [alert for alert in records.alerts() if alert.is_open],
        )
    )
    standing = page.standing
    return {
        "is": "now",
        "at": utc_text(now_ms),
        "version": __version__,
        "cursor": str(number),
        "needs_setup": not page.config.meters,
        "store": str(page.store),
        "quantities": {name: quantity_json(q) for name, q in page.config.quantities.items()},
        "meters": [standing.meter_json(meter) for meter in standing.meters.values()],
        "guidance": standing.guidance(),
        "captures": [as_json(capture) for capture in captures],
        "alerts": [alert_json(alert) for alert in reversed(alerts)],
        "learning": page.search.as_json(),
        "orders": words_known(),
    }


def _captures(records: Records, now_ms: int) -> list[Capture]:
    """Give those of the open round, else those of this sitting; oldest first."""
    rounds = records.rounds(since_ms=max(0, now_ms - _ROUND_MS))
    found = next((one for one in reversed(rounds) if one.state == "open"), None)
    if found is not None:
        return records.visited(found)[-_MOST:]
    recent = islice(records.captures(since_ms=max(0, now_ms - _SITTING_MS)), _MOST)
    return list(recent)[::-1]
