"""Short lists, a page at a time: waters, events, checks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from acquire.outlets.as_json import as_json
from acquire.outlets.check_json import check_json
from acquire.page.answers import answer, whole_of
from acquire.page.context import Page
from acquire.readings import utc_text

__all__ = ["MOST", "USUAL", "leafed", "routes"]

T = TypeVar("T")
MOST, USUAL = 500, 50
"""Things on one page of a list: most, and where nobody says."""


def routes(page: Page) -> list[Route]:
    """Give the lists."""

    async def waters(_request: Request) -> Response:
        found = await page.reader.ask(lambda records: records.waters())
        said = [
            {
                "water": one.water,
                "captures": one.captures,
                "first": utc_text(one.first_ms),
                "last": utc_text(one.last_ms),
                "role": one.role,
            }
            for one in found
        ]
        return answer({"waters": said})

    async def events(request: Request) -> Response:
        said = request.query_params
        limit = whole_of(said, "limit", 1, MOST, USUAL)
        before = whole_of(said, "cursor", 0, 2**62, 0) or None
        found = await page.reader.ask(
            lambda records: records.events_before(
                before,
                kind=said.get("kind") or None,
                meter=said.get("meter") or None,
                most=limit + 1,
            )
        )
        following = str(found[limit - 1][0]) if len(found) > limit else None
        return answer({"events": [as_json(one) for _, one in found[:limit]], "next": following})

    async def checks(request: Request) -> Response:
        said = request.query_params
        found = await page.reader.ask(lambda r: r.checks(meter=said.get("meter") or None))
        return answer(leafed(request, "checks", found[::-1], check_json))

    return [
        Route("/api/1/waters", waters, methods=["GET"]),
        Route("/api/1/events", events, methods=["GET"]),
        Route("/api/1/checks", checks, methods=["GET"]),
    ]


def leafed(
    request: Request, name: str, items: Sequence[T], said: Callable[[T], Any]
) -> dict[str, Any]:
    """Give one page of a list that is short enough to be read whole; the cursor counts.

    Only what is on the page is put into words by `said`.
    """
    limit = whole_of(request.query_params, "limit", 1, MOST, USUAL)
    begin = whole_of(request.query_params, "cursor", 0, 2**31, 0)
    end = begin + limit
    page = [said(one) for one in items[begin:end]]
    return {name: page, "next": str(end) if end < len(items) else None}
