"""What is worked out: plans and what is odd about them, comparisons, histories."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from acquire.bench.plan import plan_names, read_plan
from acquire.bench.plan_advice import advice
from acquire.errors import OuzelError
from acquire.page.answers import Refused, answer, instant_of, text_of
from acquire.page.context import Page
from acquire.store.records import Records
from acquire.walking import plan_folders

__all__ = ["routes"]


def routes(page: Page) -> list[Route]:
    """Give what is worked out."""

    async def plans(_request: Request) -> Response:
        return answer({"plans": await page.reader.ask(lambda _: _plans(page))})

    async def compare(request: Request) -> Response:
        from acquire.bench.chosen import compare_stored  # noqa: PLC0415
        from acquire.outlets.comparison_json import comparison_json  # noqa: PLC0415

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
        from acquire.bench.history import history  # noqa: PLC0415
        from acquire.outlets.history_json import history_json  # noqa: PLC0415

        water = request.path_params["water"]
        since_ms = instant_of(request.query_params, "since", page.now_ms(), 0) or 0
        quantities = page.config.quantities

        def ask(records: Records) -> dict[str, Any]:
            found = history(records, water, quantities=quantities, since_ms=since_ms)
            return history_json(found, quantities)

        return answer(await page.reader.ask(ask))

    return [
        Route("/api/1/plans", plans, methods=["GET"]),
        Route("/api/1/compare", compare, methods=["GET"]),
        Route("/api/1/history/{water:path}", one_history, methods=["GET"]),
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
            said |= {
                "title": plan.title,
                "stops": [stop.water for stop in plan.stops],
                "advice": advice(plan, config.solutions()),
            }
        found.append(said)
    return found
