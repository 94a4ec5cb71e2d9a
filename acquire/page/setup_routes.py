"""Setup over the page: which ports there are, how a meter talks, into the configuration."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from acquire.learned import why_not_writable
from acquire.page.answers import Refused, answer, said_in, text_of
from acquire.page.context import Page
from acquire.registry import load

__all__ = ["routes"]

_PORT, _COMMAND, _NAME = 200, 200, 40
_MOST_CHANGES = 64


def routes(page: Page) -> list[Route]:
    """Give the steps of setup."""

    async def ports(_request: Request) -> Response:
        found = await asyncio.to_thread(load("drivers.ports:serial_ports"))
        found.sort(key=lambda port: port.vid is None)
        file = page.search.file
        why = why_not_writable(file)
        names = ("identity", "device", "description", "state", "advice")
        said = [{name: getattr(port, name) for name in names} for port in found]
        return answer({"ports": said, "can_write": not why, "file": str(file), "why": why})

    async def learning(_request: Request) -> Response:
        return answer(page.search.as_json())

    async def learn(request: Request) -> Response:
        said = await said_in(request)
        may_ask = said.get("ask", False)
        if not isinstance(may_ask, bool):
            raise Refused(400, "ask: true or false")
        profile = text_of(said, "profile", _NAME, default="")
        if profile and not profile.replace("-", "_").isidentifier():
            raise Refused(400, "profile: the name of a shipped one")
        await page.search.start(
            text_of(said, "port", _PORT),
            text_of(said, "command", _COMMAND, default=""),
            profile,
            may_ask=may_ask,
        )
        return answer(page.search.as_json(), 202)

    async def confirm(request: Request) -> Response:
        said = await said_in(request)
        await page.search.confirm(_changes(said.get("changes", [])))
        return answer(page.search.as_json(), 202)

    async def save(request: Request) -> Response:
        return answer(await page.search.save(text_of(await said_in(request), "meter", _NAME)))

    async def cancel(_request: Request) -> Response:
        await page.search.cancel()
        return answer({"ok": True})

    return [
        Route("/api/1/setup/ports", ports, methods=["GET"]),
        Route("/api/1/setup/learn", learning, methods=["GET"]),
        Route("/api/1/setup/learn", learn, methods=["POST"]),
        Route("/api/1/setup/confirm", confirm, methods=["POST"]),
        Route("/api/1/setup/save", save, methods=["POST"]),
        Route("/api/1/setup/cancel", cancel, methods=["POST"]),
    ]


def _changes(said: Any) -> dict[int, tuple[str, str]]:
    """Give the changes by place, from 0; no two of one."""
    if not isinstance(said, list) or len(said) > _MOST_CHANGES:
        raise Refused(400, "changes: a list")
    found: dict[int, tuple[str, str]] = {}
    for one in said:
        if not isinstance(one, Mapping):
            raise Refused(400, 'changes: say {"number": 3, "quantity": "tds", "unit": "ppm"}')
        number = one.get("number")
        if not isinstance(number, int) or isinstance(number, bool) or not 1 <= number <= 1000:
            raise Refused(400, "number: the one in fields")
        quantity = text_of(one, "quantity", _NAME)
        found[number - 1] = (quantity, text_of(one, "unit", _NAME, default=""))
    return found
