"""Readings: drawn, and downloaded whole."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TextIO

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from acquire.page.answers import Refused, answer, instant_of, whole_of
from acquire.page.context import Page
from acquire.page.curves import POINTS, chart
from acquire.page.downloads import Downloads
from acquire.store.export import write_captures, write_events, write_readings
from acquire.store.records import Records

__all__ = ["routes"]

_DAY_MS = 86_400_000
_QUANTITIES = 16
_DOWNLOADS = 2


def routes(page: Page) -> list[Route]:
    """Give what can be asked of readings."""
    downloads = Downloads(page.reader, _DOWNLOADS, "other downloads are under way: wait for them")

    async def readings(request: Request) -> Response:
        said = request.query_params
        now_ms = page.now_ms()
        meter = said.get("meter", "")
        if not meter:
            raise Refused(400, "meter is missing")
        since_ms = instant_of(said, "since", now_ms, max(0, now_ms - _DAY_MS)) or 0
        until_ms = instant_of(said, "until", now_ms, now_ms) or now_ms
        if until_ms <= since_ms:
            raise Refused(400, "until must be after since")
        points = whole_of(said, "points", *POINTS, 800)
        quantities = [one for one in said.get("quantity", "").split(",") if one]
        if len(quantities) > _QUANTITIES:
            raise Refused(400, f"quantity: at most {_QUANTITIES}")
        found = await page.reader.ask(
            lambda r: chart(r, meter, quantities, since_ms=since_ms, until_ms=until_ms, most=points)
        )
        if found is None:
            raise Refused(404, "no such meter")
        return answer(found)

    def csv(name: str, write: Callable[[Records, TextIO, dict[str, Any]], object]) -> Route:
        async def download(request: Request) -> Response:
            said, now_ms = request.query_params, page.now_ms()
            bounds: dict[str, Any] = {
                "since_ms": instant_of(said, "since", now_ms, 0) or 0,
                "until_ms": instant_of(said, "until", now_ms, None),
                "meter": said.get("meter") or None,
            }
            if name == "captures":
                bounds["water"] = said.get("water") or None
            if name == "readings" and said.get("quantity"):
                bounds["quantities"] = said["quantity"].split(",")
            return downloads.give(
                lambda r, f: write(r, f, bounds),
                "text/csv; charset=utf-8",
                {"content-disposition": f'attachment; filename="{name}.csv"'},
            )

        return Route(f"/api/1/{name}.csv", download, methods=["GET"])

    return [
        Route("/api/1/readings", readings, methods=["GET"]),
        csv("readings", lambda r, f, bounds: write_readings(r, f, **bounds)),
        csv("captures", lambda r, f, bounds: write_captures(r, f, **bounds)),
        csv("events", lambda r, f, bounds: write_events(r, f, **bounds)),
    ]
