"""All routes of the page in one application, behind the guard."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from acquire.errors import OuzelError, StoreError
from acquire.outward import PageConfig
from acquire.page import (
    bench_routes,
    capture_routes,
    count_routes,
    lists,
    meter_routes,
    orders,
    reading_routes,
    round_routes,
    setup_routes,
)
from acquire.page.answers import Refused, answer
from acquire.page.context import Page
from acquire.page.guard import Guard
from acquire.page.now import snapshot
from acquire.page.openapi import document

if TYPE_CHECKING:
    from starlette.types import Receive, Scope, Send

__all__ = ["api_routes", "make_app"]

_FAULT = "a fault inside ouzel: the events and `ouzel doctor` know more"


def api_routes(page: Page) -> list[Route]:
    """Give every route of the interface."""

    async def now(_request: Request) -> Response:
        return answer(await snapshot(page, page.hub.number))

    async def openapi(_request: Request) -> Response:
        return answer(document([route.path.replace(":path}", "}") for route in all_of]))

    all_of = [
        Route("/api/1/now", now, methods=["GET"]),
        Route("/api/1/stream", _Listening(page), methods=["GET"]),
        Route("/api/1/openapi.json", openapi, methods=["GET"]),
        *meter_routes.routes(page),
        *capture_routes.routes(page),
        *reading_routes.routes(page),
        *lists.routes(page),
        *round_routes.routes(page),
        *bench_routes.routes(page),
        *count_routes.routes(page),
        *orders.routes(page),
        *setup_routes.routes(page),
    ]
    return all_of


def make_app(
    page: Page, settings: PageConfig, own_token: str, fault: Callable[[BaseException], None]
) -> Guard:
    """Give the application."""

    async def file(request: Request) -> Response:
        return page.static.give(request.path_params["name"], request)

    def fixed(path: str, name: str) -> Route:
        async def give(request: Request) -> Response:  # not async, it would need a thread
            return page.static.give(name, request)

        return Route(path, give, methods=["GET"])

    app = Starlette(
        routes=[
            *api_routes(page),
            fixed("/", "index.html"),
            fixed("/enter", "enter.html"),
            fixed("/favicon.ico", "mark.svg"),
            Route("/static/{name:path}", file, methods=["GET"]),
        ],
        exception_handlers={
            Refused: _refused,
            StoreError: _store,
            OuzelError: _wrong,
            HTTPException: _http,
            Exception: _fault,
        },
    )
    app.router.redirect_slashes = False
    return Guard(app, settings, page.tokens, own_token, fault=fault)


class _Listening:
    """ASGI: one listener of the stream."""

    def __init__(self, page: Page) -> None:
        self._page = page

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await self._page.hub.serve(scope, receive, send)


async def _refused(_request: Request, error: Exception) -> Response:
    assert isinstance(error, Refused)  # noqa: S101  (registered for it)
    headers = {"retry-after": "2"} if error.status in {429, 503} else None
    return answer({"error": error.text, **error.more}, error.status, headers)


async def _store(_request: Request, error: Exception) -> Response:
    return answer({"error": str(error)[:500]}, 503, {"retry-after": "2"})


async def _wrong(_request: Request, error: Exception) -> Response:
    return answer({"error": str(error)[:500]}, 400)


async def _http(_request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)  # noqa: S101  (registered for it)
    text = {404: "no such thing", 405: "not by this method"}.get(error.status_code, error.detail)
    return answer({"error": text}, error.status_code, error.headers)


async def _fault(_request: Request, _error: Exception) -> Response:
    return answer({"error": _FAULT}, 500)
