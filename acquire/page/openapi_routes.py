"""Each route of the interface: what it is, what may be asked, what is sent, what it answers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from acquire.page.openapi_schemas import (
    CURVE,
    NUMBER,
    ROLE,
    TEXT,
    TIME,
    TRUTH,
    WHOLE,
    Schema,
    many,
    maybe,
    only,
    ref,
    table,
    thing,
)

__all__ = ["BODIES", "ROUTES", "Row"]

_NEXT = {"next": maybe(TEXT)}
_CHART = thing(quantity=TEXT, unit=TEXT, width_ms=WHOLE, t_ms=many(WHOLE), **CURVE)
_SETTLED = thing(
    value=maybe(NUMBER),
    expanded_u=maybe(NUMBER),
    phase=TEXT,
    tolerance=maybe(NUMBER),
    low=maybe(NUMBER),
    high=maybe(NUMBER),
    t_s=many(NUMBER),
    mean=many(NUMBER),
    least=many(NUMBER),
    most=many(NUMBER),
)

_PORT = thing(
    identity=TEXT,
    device=TEXT,
    description=TEXT,
    state=only("free", "busy", "forbidden"),
    advice=TEXT,
)
_WATER = thing(water=TEXT, captures=WHOLE, first=TIME, last=TIME, role=ROLE)

# path: method, what it is, query, answer (status, content)
Row = tuple[str, str, str, tuple[int, Any]]
_CSV, _STREAM, _HTML = "text/csv", "text/event-stream", "text/html"

ROUTES: Mapping[str, list[Row]] = {
    "/api/1/now": [("get", "How everything stands", "", (200, ref("Now")))],
    "/api/1/stream": [("get", "What happens, as it happens", "after only", (200, _STREAM))],
    "/api/1/openapi.json": [("get", "This document", "", (200, {"type": "object"}))],
    "/api/1/meters": [("get", "All meters", "", (200, thing(meters=many(ref("Meter")))))],
    "/api/1/meters/{meter}": [
        ("get", "How a meter stands by its checks", "", (200, ref("MeterState")))
    ],
    "/api/1/meters/{meter}/lines": [
        (
            "get",
            "What came over the wire",
            "after",
            (200, thing(lines=many(thing(n=WHOLE, at=TIME, text=TEXT)), last=WHOLE)),
        )
    ],
    "/api/1/watches": [("get", "All watches", "", (200, thing(watches=many(ref("Watch")))))],
    "/api/1/watches/{watch}/chart": [
        (
            "get",
            "A watch over time",
            "what since until points",
            (
                200,
                thing(
                    watch=TEXT,
                    what=TEXT,
                    unit=TEXT,
                    since_ms=WHOLE,
                    until_ms=WHOLE,
                    t_ms=many(WHOLE),
                    **CURVE,
                ),
            ),
        )
    ],
    "/api/1/watches/{watch}/changed": [
        ("post", "A part was changed", "", (200, ref("Done"))),
    ],
    "/api/1/alerts": [("get", "Alerts", "all", (200, thing(alerts=many(ref("Alert")))))],
    "/api/1/alerts/{alert}/acknowledge": [
        ("post", "An alert was seen", "", (200, ref("Done"))),
    ],
    "/api/1/captures": [
        (
            "get",
            "Captures, newest first",
            "water meter state since until cursor limit",
            (200, thing(captures=many(ref("Capture")), **_NEXT)),
        )
    ],
    "/api/1/captures/{capture}": [
        (
            "get",
            "One capture and all it was",
            "",
            (
                200,
                thing(
                    capture=ref("Capture"),
                    history=many(ref("Capture")),
                    findings=many(ref("Event")),
                ),
            ),
        )
    ],
    "/api/1/captures/{capture}/curve": [
        (
            "get",
            "How it came to rest",
            "points",
            (
                200,
                thing(
                    capture=TEXT,
                    meter=TEXT,
                    began_ms=WHOLE,
                    taken_s=NUMBER,
                    quantities=table(_SETTLED),
                    note=TEXT,
                ),
            ),
        )
    ],
    "/api/1/readings": [
        (
            "get",
            "Readings, aggregated for a chart",
            "meter quantity since until points",
            (200, thing(meter=TEXT, since_ms=WHOLE, until_ms=WHOLE, series=many(_CHART))),
        )
    ],
    "/api/1/readings.csv": [("get", "Readings", "meter quantity since until", (200, _CSV))],
    "/api/1/captures.csv": [("get", "Captures", "meter water since until", (200, _CSV))],
    "/api/1/events.csv": [("get", "Events", "meter since until", (200, _CSV))],
    "/api/1/waters": [("get", "Waters captured", "", (200, thing(waters=many(_WATER))))],
    "/api/1/events": [
        (
            "get",
            "Events, the last kept first",
            "kind meter cursor limit",
            (200, thing(events=many(ref("Event")), **_NEXT)),
        )
    ],
    "/api/1/checks": [
        (
            "get",
            "Checks, newest first",
            "meter cursor limit",
            (200, thing(checks=many(ref("Check")), **_NEXT)),
        )
    ],
    "/api/1/rounds": [
        (
            "get",
            "Rounds, newest first",
            "cursor limit",
            (200, thing(rounds=many(ref("Round")), **_NEXT)),
        )
    ],
    "/api/1/rounds/{round}": [
        (
            "get",
            "One round",
            "",
            (
                200,
                thing(
                    round=ref("Round"),
                    captures=many(ref("Capture")),
                    counts=many(ref("Count")),
                ),
            ),
        )
    ],
    "/api/1/rounds/{round}/report.html": [("get", "A round as one file", "", (200, _HTML))],
    "/api/1/plans": [
        (
            "get",
            "Plans of rounds",
            "",
            (
                200,
                thing(
                    plans=many(thing(plan=TEXT, title=TEXT, stops=many(TEXT), advice=many(TEXT)))
                ),
            ),
        )
    ],
    "/api/1/compare": [
        ("get", "Two waters compared", "reference subject", (200, {"type": "object"}))
    ],
    "/api/1/history/{water}": [
        ("get", "A water over the months", "since", (200, {"type": "object"}))
    ],
    "/api/1/counts": [
        (
            "get",
            "Particle counts, newest first",
            "water withdrawn cursor limit",
            (200, thing(counts=many(ref("Count")), **_NEXT)),
        ),
        ("post", "Keep a particle count", "", (201, thing(count=ref("Count")))),
    ],
    "/api/1/counts/{count}/withdraw": [("post", "A count was mistaken", "", (200, ref("Done")))],
    "/api/1/counts/{count}/restore": [("post", "It counts again", "", (200, ref("Done")))],
    "/api/1/orders": [("post", "Order something", "", (200, ref("Ordered")))],
    "/api/1/typed": [
        ("post", "A capture of typed numbers", "", (201, thing(capture=ref("Capture"))))
    ],
    "/api/1/enter": [("post", "Come in with a token", "", (200, ref("Done")))],
    "/api/1/setup/ports": [
        (
            "get",
            "Serial ports",
            "",
            (200, thing(ports=many(_PORT), can_write=TRUTH, file=TEXT, why=TEXT)),
        )
    ],
    "/api/1/setup/learn": [
        ("get", "How the search goes", "", (200, maybe(ref("Learning")))),
        ("post", "Listen at a port", "", (202, ref("Learning"))),
    ],
    "/api/1/setup/confirm": [("post", "Read with what was found", "", (202, ref("Learning")))],
    "/api/1/setup/save": [
        ("post", "Write it down", "", (200, thing(ok=TRUTH, file=TEXT, snippet=TEXT)))
    ],
    "/api/1/setup/cancel": [("post", "Stop listening", "", (200, ref("Done")))],
}

_NOTE: Schema = {"type": "object", "properties": {"note": TEXT}}
_SIZES = ("field_mm", "field_mm_u", "drop_ul", "drop_ul_u", "slip_mm2", "slip_mm2_u")


def _size(name: str) -> Schema:
    said = {"description": "standard uncertainty of it"} if name.endswith("_u") else {}
    return {"type": "number", "minimum": 0, **said}


BODIES: Mapping[str, Schema] = {
    "/api/1/orders": {
        "type": "object",
        "properties": {"order": TEXT, "meter": TEXT, "text": TEXT},
        "required": ["order"],
    },
    "/api/1/typed": {
        "type": "object",
        "properties": {
            "meter": TEXT,
            "water": TEXT,
            "role": TEXT,
            "still": TRUTH,
            "values": table(TEXT),
        },
        "required": ["meter", "still", "values"],
    },
    "/api/1/counts": {
        "type": "object",
        "properties": {
            "water": TEXT,
            "fields": {**many(WHOLE), "minItems": 1},
            "shapes": table(WHOLE),
            "bubbles": WHOLE,
            **{name: maybe(_size(name)) for name in _SIZES},
            "optics": TEXT,
            "role": TEXT,
            "round": TEXT,
            "note": TEXT,
        },
        "required": ["water", "fields"],
    },
    "/api/1/counts/{count}/withdraw": _NOTE,
    "/api/1/counts/{count}/restore": _NOTE,
    "/api/1/watches/{watch}/changed": thing(part=only("cartridge", "membrane")),
    "/api/1/enter": thing(token=TEXT),
    "/api/1/setup/learn": {
        "type": "object",
        "properties": {"port": TEXT, "command": TEXT, "ask": TRUTH, "profile": TEXT},
        "required": ["port"],
    },
    "/api/1/setup/confirm": {
        "type": "object",
        "properties": {
            "changes": many(
                {
                    "type": "object",
                    "properties": {"number": WHOLE, "quantity": TEXT, "unit": TEXT},
                    "required": ["number", "quantity"],
                }
            )
        },
    },
    "/api/1/setup/save": thing(meter=TEXT),
}
