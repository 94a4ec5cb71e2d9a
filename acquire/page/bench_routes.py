"""What is worked out from records: plans, comparisons, histories, particle counts."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from acquire.bench.chosen import compare_stored
from acquire.bench.history import history
from acquire.bench.particles import particle_result
from acquire.bench.plan import plan_names, read_plan
from acquire.daemon import new_id
from acquire.errors import OuzelError
from acquire.outlets.comparison_json import comparison_json
from acquire.outlets.count_json import count_json
from acquire.outlets.history_json import history_json
from acquire.page.answers import Refused, answer, instant_of, said_in, text_of
from acquire.page.context import Page
from acquire.page.lists import leafed
from acquire.page.orders import plain
from acquire.readings import Role
from acquire.rounds import SHAPES, ParticleCount
from acquire.store.records import Records
from acquire.walking import plan_folders

__all__ = ["routes"]

_WATER, _NOTE = 80, 500
_FIELDS = 500
_MOST = 1_000_000
_OPTICS = ("field_mm", "field_mm_u", "drop_ul", "drop_ul_u", "slip_mm2", "slip_mm2_u")


def routes(page: Page) -> list[Route]:
    """Give what is worked out."""

    async def plans(_request: Request) -> Response:
        return answer({"plans": await page.reader.ask(lambda _: _plans(page))})

    async def compare(request: Request) -> Response:
        said = request.query_params
        first, second = text_of(said, "reference", 200), text_of(said, "subject", 200)
        quantities = page.config.quantities

        def ask(records: Records) -> list[dict[str, Any]]:
            found = compare_stored(records, first, second, quantities=quantities)
            return [comparison_json(one, quantities) for one in found]

        found = await page.reader.ask(ask)
        if not found:
            raise Refused(404, "there is nothing to compare")
        return answer(found[0])

    async def one_history(request: Request) -> Response:
        water = request.path_params["water"]
        since_ms = instant_of(request.query_params, "since", page.now_ms(), 0) or 0
        quantities = page.config.quantities

        def ask(records: Records) -> dict[str, Any]:
            found = history(records, water, quantities=quantities, since_ms=since_ms)
            return history_json(found, quantities)

        return answer(await page.reader.ask(ask))

    async def counts(request: Request) -> Response:
        water = request.query_params.get("water") or None
        found = await page.reader.ask(lambda records: records.counts(water=water))
        said = [count_json(particle_result(one)) for one in reversed(found)]
        return answer(leafed(request, "counts", said))

    async def count(request: Request) -> Response:
        made = _count(await said_in(request), page.now_ms())
        result = particle_result(made)  # refuses what cannot be, before anything is kept
        if page.writer is None:
            raise Refused(409, "nothing is recorded: start ouzel with a store")
        await page.writer.keep(made)
        return answer({"count": count_json(result)}, 201)

    return [
        Route("/api/1/plans", plans, methods=["GET"]),
        Route("/api/1/compare", compare, methods=["GET"]),
        Route("/api/1/history/{water:path}", one_history, methods=["GET"]),
        Route("/api/1/counts", counts, methods=["GET"]),
        Route("/api/1/counts", count, methods=["POST"]),
    ]


def _plans(page: Page) -> list[dict[str, Any]]:
    """Give every plan; one that cannot be read says why, and harms no other."""
    config = page.config
    found = []
    for name, path in plan_names(plan_folders(config)):
        said: dict[str, Any] = {"plan": name, "title": name, "stops": [], "advice": []}
        try:
            plan = read_plan(path, config.solutions(), list(config.quantities))
        except (OuzelError, OSError, UnicodeDecodeError) as error:
            said["advice"] = [f"cannot be used: {error}"]
        else:
            said |= {"title": plan.title, "stops": [stop.water for stop in plan.stops]}
        found.append(said)
    return found


def _count(said: Mapping[str, Any], now_ms: int) -> ParticleCount:
    water = plain(text_of(said, "water", _WATER))
    if not water:
        raise Refused(400, "water: which water is on the slide?")
    fields, shapes = said.get("fields"), said.get("shapes", {})
    if (
        not isinstance(fields, list)
        or not 1 <= len(fields) <= _FIELDS
        or not all(map(_is_number, fields))
    ):
        raise Refused(400, "fields: how many were seen in each, such as [3, 0, 2]")
    if not isinstance(shapes, dict) or not set(shapes) <= set(SHAPES):
        raise Refused(400, f"shapes: numbers of {', '.join(SHAPES)}")
    if not all(map(_is_number, shapes.values())):
        raise Refused(400, f"shapes: numbers of {', '.join(SHAPES)}")
    bubbles = said.get("bubbles", 0)
    if not _is_number(bubbles):
        raise Refused(400, "bubbles: a whole number")
    role = text_of(said, "role", 20, default="")
    if role and role not in {one.value for one in Role}:
        raise Refused(400, f"role: one of {', '.join(one.value for one in Role)}")
    return ParticleCount(
        id=new_id(),
        at_ms=now_ms,
        water=water,
        fields=tuple(fields),
        shapes={name: number for name, number in shapes.items() if number},
        bubbles=bubbles,
        optics=plain(text_of(said, "optics", _NOTE, default="")),
        role=Role(role) if role else None,
        round_id=text_of(said, "round", 20, default=""),
        note=plain(text_of(said, "note", _NOTE, default="")),
        **{name: _size(said, name) for name in _OPTICS},
    )


def _is_number(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= _MOST


def _size(said: Mapping[str, Any], name: str) -> float:
    value = said.get(name)
    if value is None:
        return 0.0
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < math.inf:
        raise Refused(400, f"{name}: a number, 0 or more")
    return float(value)
