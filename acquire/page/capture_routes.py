"""Captures: leafed through, one with all it was, and how it came to rest."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from acquire.bench.findings import FINDING
from acquire.outlets.as_json import as_json
from acquire.page.answers import Refused, answer, instant_of, whole_of
from acquire.page.context import Page
from acquire.page.curves import POINTS, curve
from acquire.page.lists import MOST, USUAL
from acquire.readings import Capture, CaptureState, Event
from acquire.store.records import Records

__all__ = ["routes"]

_FINDINGS_MS = 3_600_000


def routes(page: Page) -> list[Route]:
    """Give what can be asked of captures."""

    async def captures(request: Request) -> Response:
        said = request.query_params
        now_ms, limit = page.now_ms(), whole_of(said, "limit", 1, MOST, USUAL)
        since_ms = instant_of(said, "since", now_ms, 0) or 0
        until_ms = instant_of(said, "until", now_ms, None)
        after = _place(said.get("cursor"))
        state = _state(said.get("state"))

        def ask(records: Records) -> tuple[list[Capture], str | None]:
            bound = until_ms
            if after is not None:
                # As many as were taken in that same millisecond may have been given before.
                bound = after[0] + 1 if until_ms is None else min(until_ms, after[0] + 1)
            found: Iterator[Capture] = records.captures(
                water=said.get("water") or None,
                meter=said.get("meter") or None,
                state=state,
                since_ms=since_ms,
                until_ms=bound,
            )
            if after is not None:
                found = _behind(found, after)
            some = list(islice(found, limit + 1))
            more = len(some) > limit
            some = some[:limit]
            return some, f"{some[-1].taken.at_ms}.{some[-1].id}" if more else None

        some, following = await page.reader.ask(ask)
        return answer({"captures": [as_json(one) for one in some], "next": following})

    async def capture(request: Request) -> Response:
        wanted = request.path_params["capture"]

        def ask(records: Records) -> tuple[Capture | None, list[Capture], list[Event]]:
            held = records.capture(wanted)
            if held is None:
                return None, [], []
            begin, end = held.taken.at_ms - _FINDINGS_MS, held.taken.at_ms + 24 * _FINDINGS_MS
            told = records.events(
                kind=FINDING, meter=held.meter, since_ms=max(0, begin), until_ms=end
            )
            mine = [event for event in told if event.data.get("capture") == held.id]
            return held, records.history(wanted), mine

        held, history, findings = await page.reader.ask(ask)
        if held is None:
            raise Refused(404, "no such capture")
        return answer(
            {
                "capture": as_json(held),
                "history": [as_json(one) for one in history],
                "findings": [as_json(one) for one in findings],
            }
        )

    async def capture_curve(request: Request) -> Response:
        wanted = request.path_params["capture"]
        points = whole_of(request.query_params, "points", *POINTS, 600)
        found = await page.reader.ask(lambda r: curve(r, wanted, page.config, points))
        if found is None:
            raise Refused(404, "no such capture")
        return answer(found)

    return [
        Route("/api/1/captures", captures, methods=["GET"]),
        Route("/api/1/captures/{capture}", capture, methods=["GET"]),
        Route("/api/1/captures/{capture}/curve", capture_curve, methods=["GET"]),
    ]


def _state(text: str | None) -> CaptureState | None:
    if not text:
        return None
    try:
        return CaptureState(text)
    except ValueError:
        raise Refused(400, f"state: one of {', '.join(CaptureState)}") from None


def _place(cursor: str | None) -> tuple[int, str] | None:
    if not cursor:
        return None
    at_ms, _, name = cursor.partition(".")
    if not at_ms.isdecimal() or len(at_ms) > 18 or not name:
        raise Refused(400, "cursor: the `next` of an answer before")
    return int(at_ms), name


def _behind(found: Iterator[Capture], place: tuple[int, str]) -> Iterator[Capture]:
    """Leave out those up to and with the one at the place; if it is gone, those of its instant."""
    at_ms, name = place
    for capture in found:
        if capture.taken.at_ms < at_ms:
            yield capture
            yield from found
            return
        if capture.id == name:
            yield from found
            return
