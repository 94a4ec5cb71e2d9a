"""Particle counts: given, taken, withdrawn."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from acquire.bench.particles import particle_result
from acquire.daemon import new_id
from acquire.outlets.count_json import count_json
from acquire.page.answers import Refused, answer, role_of, said_in, text_of
from acquire.page.context import Page
from acquire.page.lists import leafed
from acquire.page.orders import plain
from acquire.rounds import SHAPES, ParticleCount
from acquire.store.records import Records

if TYPE_CHECKING:
    from acquire.errands import Bookkeeper

__all__ = ["routes"]

_WATER, _NOTE = 80, 500
_FIELDS = 500
_MOST = 1_000_000
_OPTICS = ("field_mm", "field_mm_u", "drop_ul", "drop_ul_u", "slip_mm2", "slip_mm2_u")


def routes(page: Page) -> list[Route]:
    """Give what there is of counts."""

    def keeper() -> Bookkeeper:
        if page.keeper is None:
            raise Refused(409, "nothing is recorded: start ouzel with a store")
        return page.keeper

    async def counts(request: Request) -> Response:
        water = request.query_params.get("water") or None
        wanted = request.query_params.get("withdrawn", "0") not in {"", "0"}

        def ask(records: Records) -> dict[str, Any]:
            gone = records.withdrawn_counts()
            kept = records.counts(water=water, withdrawn=True)
            found = [one for one in reversed(kept) if wanted or one.id not in gone]

            def said(one: ParticleCount) -> dict[str, Any]:
                return count_json(particle_result(one), withdrawn=gone.get(one.id, ""))

            return leafed(request, "counts", found, said)

        return answer(await page.reader.ask(ask))

    async def count(request: Request) -> Response:
        made = _count(await said_in(request), page.now_ms())
        particle_result(made)  # refuses what cannot be, before anything is kept
        if made.round_id:
            found = await page.reader.ask(lambda records: records.round(made.round_id))
            if found is None or found.id != made.round_id:
                raise Refused(400, "round: no such round")
        kept = await keeper().counted(made)
        return answer({"count": count_json(particle_result(kept))}, 201)

    def taking_back(*, is_back: bool) -> Any:
        async def take_back(request: Request) -> Response:
            name = request.path_params["count"]
            note = plain(text_of(await said_in(request), "note", _NOTE, default=""))

            def ask(records: Records) -> tuple[ParticleCount | None, bool]:
                known = records.counts(withdrawn=True)
                one = next((one for one in known if one.id == name), None)
                return one, name in records.withdrawn_counts()

            found, is_gone = await page.reader.ask(ask)
            if found is None:
                raise Refused(404, "no such count")
            if is_gone is is_back:  # else it stands so already
                await keeper().take_back(found, is_back=is_back, note=note)
            return answer({"ok": True})

        return take_back

    return [
        Route("/api/1/counts", counts, methods=["GET"]),
        Route("/api/1/counts", count, methods=["POST"]),
        Route("/api/1/counts/{count}/withdraw", taking_back(is_back=False), methods=["POST"]),
        Route("/api/1/counts/{count}/restore", taking_back(is_back=True), methods=["POST"]),
    ]


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
    if (
        not isinstance(shapes, dict)
        or not set(shapes) <= set(SHAPES)
        or not all(map(_is_number, shapes.values()))
    ):
        raise Refused(400, f"shapes: numbers of {', '.join(SHAPES)}")
    bubbles = said.get("bubbles", 0)
    if not _is_number(bubbles):
        raise Refused(400, "bubbles: a whole number")
    role = role_of(said)
    return ParticleCount(
        id=new_id(),
        at_ms=now_ms,
        water=water,
        fields=tuple(fields),
        shapes={name: number for name, number in shapes.items() if number},
        bubbles=bubbles,
        optics=plain(text_of(said, "optics", _NOTE, default="")),
        role=role,
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
