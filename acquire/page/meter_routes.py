"""Meters, watches and alerts: how they stand, and their curves."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from acquire.bench.meter_state import meter_state
from acquire.daemon import new_id
from acquire.outlets.check_json import state_json
from acquire.outlets.watch_words import state_json as watch_json
from acquire.page.answers import Refused, answer, instant_of, whole_of
from acquire.page.context import Page
from acquire.page.curves import POINTS, columns
from acquire.page.shapes import alert_json
from acquire.readings import utc_text
from acquire.store.records import Records
from acquire.store.spans import Point
from acquire.watch.kept import KeptDraw
from acquire.watching import resumed

__all__ = ["routes"]

_DAY_MS = 86_400_000
_FRESH_S = 5.0
"""How long a watch's state, which takes all its draws to make, is given again."""

DRAWN: dict[str, tuple[str, Callable[[KeptDraw], float | None]]] = {
    "rejection": ("%", lambda d: None if d.passage is None else 100.0 * (1.0 - d.passage)),
    "product": ("µS/cm", lambda d: d.draw.value),
    "feed": ("µS/cm", lambda d: d.feed),
    "peak": (
        "1",
        lambda d: d.draw.peak / d.draw.value if d.draw.peak is not None and d.draw.value else None,
    ),
}
"""What is drawn of the draws of a watch: unit, and the number of one."""


def routes(page: Page) -> list[Route]:
    """Give what can be asked of meters and watches."""
    held: tuple[float, list[dict[str, Any]]] | None = None

    async def meters(_request: Request) -> Response:
        standing = page.standing
        return answer({"meters": [standing.meter_json(m) for m in standing.meters.values()]})

    async def meter(request: Request) -> Response:
        found = page.meter(request.path_params["meter"])
        name, now_ms = found.config.name, page.now_ms()

        def ask(records: Records) -> dict[str, Any]:
            state = meter_state(
                name,
                records.checks(meter=name),
                records.corrections(meter=name),
                every_days=found.config.check_every_days,
                now_ms=now_ms,
            )
            checked = {one.quantity for one in state.quantities}
            channels = records.channels(name).values()
            never = [
                c.quantity
                for c in channels
                if c.is_required and c.quantity not in {*checked, "temperature"}
            ]
            return {**state_json(state), "never_checked": never}

        return answer(await page.reader.ask(ask))

    async def lines(request: Request) -> Response:
        found = page.meter(request.path_params["meter"])
        after = whole_of(request.query_params, "after", 0, 2**62, 0)
        said = [
            {"n": n, "at": utc_text(at_ms), "text": text}
            for n, at_ms, text in found.lines
            if n > after
        ]
        return answer({"lines": said, "last": found.counted})

    async def watches(_request: Request) -> Response:
        nonlocal held
        now_s = page.clock.now().t_s
        if held is None or not 0 <= now_s - held[0] < _FRESH_S:
            held = (now_s, await page.reader.ask(lambda records: _watches(page, records)))
        return answer({"watches": held[1]})

    async def watch_chart(request: Request) -> Response:
        name, said = request.path_params["watch"], request.query_params
        config = page.config.watches.get(name)
        if config is None:
            raise Refused(404, "no such watch")
        what = said.get("what") or "rejection"
        if what not in DRAWN and what not in page.config.quantities:
            allowed = ", ".join([*DRAWN, *page.config.quantities])
            raise Refused(400, f"what: one of {allowed}")
        now_ms = page.now_ms()
        since_ms = instant_of(said, "since", now_ms, max(0, now_ms - 90 * _DAY_MS)) or 0
        until_ms = instant_of(said, "until", now_ms, now_ms) or now_ms
        if until_ms <= since_ms:
            raise Refused(400, "until must be after since")
        most = whole_of(said, "points", *POINTS, 800)

        def ask(records: Records) -> tuple[str, tuple[Point, ...]]:
            if what in DRAWN:
                unit, number = DRAWN[what]
                draws = records.draws(name, since_ms=since_ms)
                points = binned(_numbers(draws, number, until_ms), since_ms, until_ms, most)
                return unit, tuple(points)
            span = records.span(
                config.product, what, since_ms=since_ms, until_ms=until_ms, most=most
            )
            return span.unit, span.points

        unit, points = await page.reader.ask(ask)
        head = {"watch": name, "what": what, "unit": unit}
        return answer({**head, "since_ms": since_ms, "until_ms": until_ms, **columns(points)})

    async def alerts(request: Request) -> Response:
        found = await page.reader.ask(lambda records: records.alerts())
        wanted = request.query_params.get("all", "0") not in {"", "0"}
        said = [alert_json(one) for one in reversed(found) if wanted or one.is_open]
        return answer({"alerts": said})

    return [
        Route("/api/1/meters", meters, methods=["GET"]),
        Route("/api/1/meters/{meter}", meter, methods=["GET"]),
        Route("/api/1/meters/{meter}/lines", lines, methods=["GET"]),
        Route("/api/1/watches", watches, methods=["GET"]),
        Route("/api/1/watches/{watch}/chart", watch_chart, methods=["GET"]),
        Route("/api/1/alerts", alerts, methods=["GET"]),
    ]


def _watches(page: Page, records: Records) -> list[dict[str, Any]]:
    config = page.config
    points = resumed(
        config.watches,
        records,
        new_id=new_id,
        trusted_days=config.trusted_days,
    )
    said = []
    for point in points:
        measured = [s.quantity for s in records.series() if s.meter == point.config.product]
        said.append(
            {
                **watch_json(point.state()),
                "product": point.config.product,
                "feed": point.config.feed,
                "charts": [*DRAWN, *dict.fromkeys(measured)],
            }
        )
    return said


def _numbers(
    draws: list[KeptDraw], number: Callable[[KeptDraw], float | None], until_ms: int
) -> Iterator[tuple[int, float]]:
    for one in draws:
        value = number(one)
        if one.draw.started_ms < until_ms and value is not None and math.isfinite(value):
            yield one.draw.started_ms, value


def binned(
    numbers: Iterator[tuple[int, float]], since_ms: int, until_ms: int, most: int
) -> Iterator[Point]:
    """Give numbers in order of time as at most `most` points of one width; gaps have none."""
    width = max(1, -(-(until_ms - since_ms) // most))
    place, some = -1, list[float]()

    def point() -> Point:
        begin = since_ms + place * width
        mean = math.fsum(some) / len(some)
        return Point(begin, begin + width, len(some), min(some), max(some), mean)

    for at_ms, value in numbers:
        mine = (at_ms - since_ms) // width
        if mine != place and some:
            yield point()
            some = []
        place = mine
        some.append(value)
    if some:
        yield point()
