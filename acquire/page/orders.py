"""What the page may order: the daemon's own orders, typed numbers, what a watch is told."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from acquire.asking import ask
from acquire.errors import FrameError, OuzelError
from acquire.outlets.as_json import as_json
from acquire.page.answers import Refused, answer, role_of, said_in, text_of
from acquire.page.context import Page
from acquire.page.guard import COOKIE
from acquire.page.standing import fields_of, is_typed

__all__ = ["plain", "routes", "words_known"]

WORDS = ("water", "capture", "skip", "stop", "round", "resume", "redo", "note", "answer")
"""Orders that `Daemon.order` carries out."""
_LONGEST = 500
_WATER = 80
_TAKEN_S = 6.0
_LOOK_S = 0.02
_PARTS = ("cartridge", "membrane")
_YEAR_S = 365 * 86_400


def words_known() -> list[str]:
    """Give the orders there are."""
    return list(WORDS)


def routes(page: Page) -> list[Route]:
    """Give what can be ordered."""

    async def order(request: Request) -> Response:
        said = await said_in(request)
        word = text_of(said, "order", 40)
        meter = text_of(said, "meter", 40, default="")
        most = _WATER if word in {"water", "round"} else _LONGEST
        text = plain(text_of(said, "text", most, default=""))
        if page.act is None:
            raise Refused(409, "nothing is read that could be ordered")
        if word not in WORDS:
            raise Refused(400, f"no such order; there are: {', '.join(WORDS)}")
        try:
            done = await page.act(word, meter, text)
        except ValueError as error:
            await page.note("order", f"{word}: {error}"[:300], ok="False")
            raise Refused(409, str(error)[:300]) from error
        await page.note("order", f"{word}: {done}"[:300], ok="True")
        return answer({"ok": True, "done": done})

    async def typed(request: Request) -> Response:
        return answer({"capture": await _typed(page, await said_in(request))}, 201)

    async def acknowledge(request: Request) -> Response:
        wanted = request.path_params["alert"]
        found = await page.reader.ask(lambda records: records.alerts())
        alert = next((one for one in found if one.id == wanted), None)
        if alert is None:
            raise Refused(404, "no such alert")
        if alert.is_open and alert.acknowledged_ms is None:
            await _have_done(page, {"alert": wanted})
        return answer({"ok": True})

    async def changed(request: Request) -> Response:
        name = request.path_params["watch"]
        if name not in page.config.watches:
            raise Refused(404, "no such watch")
        part = text_of(await said_in(request), "part", 20)
        if part not in _PARTS:
            raise Refused(400, f"part: one of {', '.join(_PARTS)}")
        await _have_done(page, {"watch": name, "part": part})
        return answer({"ok": True})

    async def enter(request: Request) -> Response:
        token = text_of(await said_in(request), "token", 200)
        response = answer({"ok": True})
        if page.tokens is not None:
            if not page.tokens.knows(token):
                raise Refused(401, "this token is not known here: `ouzel page invite` makes one")
            response.set_cookie(
                COOKIE,
                token,
                max_age=_YEAR_S,
                httponly=True,
                samesite="strict",
                secure=page.is_secure,
            )
        return response

    return [
        Route("/api/1/orders", order, methods=["POST"]),
        Route("/api/1/typed", typed, methods=["POST"]),
        Route("/api/1/alerts/{alert}/acknowledge", acknowledge, methods=["POST"]),
        Route("/api/1/watches/{watch}/changed", changed, methods=["POST"]),
        Route("/api/1/enter", enter, methods=["POST"]),
    ]


def plain(text: str) -> str:
    """A name or note on one line: no control characters (C0, DEL, C1) and no line breaks."""
    return "".join(" " if ord(c) < 32 or 127 <= ord(c) < 160 else c for c in text).strip()


async def _have_done(page: Page, request: dict[str, str]) -> None:
    """Ask the daemon as every other command does; 409 when it does not take it."""
    note = await asyncio.to_thread(ask, page.store, request)
    try:
        async with asyncio.timeout(_TAKEN_S):
            while note.exists():  # noqa: ASYNC110  (the daemon deletes it: that is its answer)
                await asyncio.sleep(_LOOK_S)
    except TimeoutError:
        raise Refused(409, "the watch did not take this: is it in the configuration?") from None
    finally:
        note.unlink(missing_ok=True)


async def _typed(page: Page, said: Mapping[str, Any]) -> dict[str, Any]:
    """Make a capture of typed numbers; keeps nothing unless every one can be read."""
    meter = page.meter(text_of(said, "meter", 40))
    if not is_typed(meter.config):
        raise Refused(409, "this meter has a connection: it is not typed")
    if page.take_typed is None:
        raise Refused(409, "nothing is recorded: start ouzel with a store")
    values = said.get("values")
    if not isinstance(values, dict) or not all(isinstance(one, str) for one in values.values()):
        raise Refused(400, 'values: say {"ph": "7.01"}, as the display shows them')
    still = said.get("still")
    if not isinstance(still, bool):
        raise Refused(400, "still: true when the numbers stood still while you read them")
    role = role_of(said)
    fields = {one.quantity.name: one for one in fields_of(meter.config)}
    problems: dict[str, str] = {}
    entries = []
    for name, text in values.items():
        if name not in fields:
            problems[name[:40]] = f"this display does not show it; it shows {', '.join(fields)}"
        elif text.strip():
            try:
                entries.append(fields[name].read(text))
            except FrameError as error:
                problems[name] = str(error)[:200]
    if problems:
        raise Refused(400, "some numbers cannot be read", fields=problems)
    if not entries:
        raise Refused(400, "no number was typed")
    water = plain(text_of(said, "water", _WATER, default=""))
    try:
        capture = await page.take_typed(
            meter.config.name,
            entries,
            stood_still=still,
            water=water,
            role=role,
        )
    except OuzelError as error:
        raise Refused(409, str(error)[:300]) from error
    return as_json(capture)
