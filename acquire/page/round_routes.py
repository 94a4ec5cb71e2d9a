"""Rounds and particle counts as they were kept."""

from __future__ import annotations

from typing import Any, TextIO

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from acquire.bench.particles import particle_result
from acquire.outlets.as_json import as_json
from acquire.outlets.count_json import count_json
from acquire.page.answers import Refused, answer
from acquire.page.context import Page
from acquire.page.downloads import Downloads
from acquire.page.lists import leafed
from acquire.readings import utc_text
from acquire.rounds import Round
from acquire.store.records import Records

__all__ = ["routes"]

_REPORTS = 2
"""That many are written at one time: each draws every curve of its round anew."""


def routes(page: Page) -> list[Route]:
    """Give what can be asked of rounds."""

    async def rounds(request: Request) -> Response:
        found = await page.reader.ask(lambda records: records.rounds())
        return answer(leafed(request, "rounds", found[::-1], _round))

    async def one_round(request: Request) -> Response:
        def ask(records: Records) -> dict[str, Any]:
            found = records.round(request.path_params["round"])
            if found is None:
                raise Refused(404, "no such round")
            return {
                "round": _round(found),
                "captures": [as_json(capture) for capture in records.visited(found)],
                "counts": [
                    count_json(particle_result(one)) for one in records.counts(round_id=found.id)
                ],
            }

        return answer(await page.reader.ask(ask))

    reports = Downloads(page.reader, _REPORTS, "other reports are being written: wait for them")

    async def report(request: Request) -> Response:
        from acquire.report.gather import Bench  # noqa: PLC0415
        from acquire.report.html import policy, report_html  # noqa: PLC0415

        word = request.path_params["round"]
        if await page.reader.ask(lambda records: records.round(word)) is None:
            raise Refused(404, "no such round")
        config = page.config
        bench = Bench(config.quantities, config.settler, config.tolerance)

        def write(records: Records, file: TextIO) -> None:
            said = report_html(records, word, bench, now_ms=page.now_ms())
            for piece in said:  # noqa: FURB122 - this file has no writelines
                file.write(piece)

        # Its style stands inside it: its own policy allows that and nothing else.
        headers = {"content-security-policy": policy()}
        return reports.give(write, "text/html; charset=utf-8", headers)

    return [
        Route("/api/1/rounds/{round}/report.html", report, methods=["GET"]),
        Route("/api/1/rounds", rounds, methods=["GET"]),
        Route("/api/1/rounds/{round}", one_round, methods=["GET"]),
    ]


def _round(one: Round) -> dict[str, Any]:
    return {
        "is": "round",
        "id": one.id,
        "plan": one.plan,
        "meter": one.meter,
        "began": utc_text(one.began_ms),
        "ended": None if one.ended_ms is None else utc_text(one.ended_ms),
        "state": one.state,
        "note": one.note,
        "stops": [
            {
                "kind": stop.kind,
                "water": stop.water,
                "role": stop.role,
                "solution": stop.solution,
                "repeats": stop.repeats,
                "closing": stop.is_closing,
                "least_s": stop.least_s,
                "note": stop.note,
            }
            for stop in one.stops
        ],
        "visits": [
            {
                "position": visit.position,
                "repeat": visit.repeat,
                "state": visit.state,
                "at": utc_text(visit.at_ms),
                "capture": visit.capture_id or None,
                "count": visit.count_id or None,
                "note": visit.note,
                "flags": list(visit.flags),
            }
            for visit in one.visits
        ],
    }
