"""The interface described for machines: OpenAPI 3.1 (spec.openapis.org), JSON Schema 2020-12.

Only the routes there are get into the document; the tests hold each against what it really answers.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from importlib.metadata import version
from typing import Any

__all__ = ["document"]

Schema = dict[str, Any]

TEXT: Schema = {"type": "string"}
NUMBER: Schema = {"type": "number"}
WHOLE: Schema = {"type": "integer"}
TRUTH: Schema = {"type": "boolean"}
TIME: Schema = {"type": "string", "format": "date-time"}
ANY: Schema = {}


def maybe(schema: Schema) -> Schema:
    return {"anyOf": [schema, {"type": "null"}]}


def many(schema: Schema) -> Schema:
    return {"type": "array", "items": schema}


def table(schema: Schema) -> Schema:
    return {"type": "object", "additionalProperties": schema}


def only(*words: str) -> Schema:
    return {"type": "string", "enum": list(words)}


def thing(**fields: Schema) -> Schema:
    """An object with exactly these fields; a trailing underscore is no part of a name."""
    named = {name.removesuffix("_"): schema for name, schema in fields.items()}
    return {
        "type": "object",
        "properties": named,
        "required": list(named),
        "additionalProperties": False,
    }


def ref(name: str) -> Schema:
    return {"$ref": f"#/components/schemas/{name}"}


_ROLE = maybe(only("reference", "subject", "rinse", "solution"))
_CURVE = {"mean": many(NUMBER), "low": many(NUMBER), "high": many(NUMBER), "n": many(WHOLE)}

SCHEMAS: Mapping[str, Schema] = {
    "Error": {
        "type": "object",
        "properties": {"error": TEXT, "fields": table(TEXT)},
        "required": ["error"],
    },
    "Done": thing(ok=TRUTH),
    "Ordered": thing(ok=TRUTH, done=TEXT),
    "Quantity": thing(
        label=TEXT, unit=TEXT, shown_unit=TEXT, digits=WHOLE, low=maybe(NUMBER), high=maybe(NUMBER)
    ),
    "Reading": thing(
        is_=only("reading"), meter=TEXT, at=TIME, values=table(NUMBER), flags=table(TEXT)
    ),
    "Row": thing(
        quantity=TEXT,
        value=maybe(NUMBER),
        flag=maybe(TEXT),
        required=TRUTH,
        phase=maybe(only("moving", "settling", "settled")),
        rest=maybe({"type": "number", "minimum": 0, "maximum": 1}),
        settling_value=maybe(NUMBER),
        expanded_u=maybe(NUMBER),
        tolerance=maybe(NUMBER),
        drift_per_min=maybe(NUMBER),
        eta_s=maybe(NUMBER),
        reason=maybe(TEXT),
    ),
    "Status": thing(
        is_=only("status"),
        meter=TEXT,
        at=TIME,
        medium=TEXT,
        immersion=WHOLE,
        elapsed_s=NUMBER,
        phases=table(TEXT),
        capture=maybe(TEXT),
        unconfirmed_s=maybe(NUMBER),
        water=TEXT,
        say=TEXT,
        rows=many(ref("Row")),
    ),
    "Guidance": thing(
        is_=only("guidance"),
        meter=TEXT,
        round=TEXT,
        plan=TEXT,
        position=WHOLE,
        say=TEXT,
        then=TEXT,
        stops=many(thing(text=TEXT, state=only("to come", "now", "taken", "skipped"))),
        question=TEXT,
        answers=many(TEXT),
        warnings=many(TEXT),
        over=TRUTH,
    ),
    "Value": thing(
        value=maybe(NUMBER),
        expanded_u=maybe(NUMBER),
        phase=only("moving", "settling", "settled"),
        drift_per_min=maybe(NUMBER),
        settled_after_s=maybe(NUMBER),
        source=only("meter", "derived", "typed", "imported"),
        method=TEXT,
        reason=TEXT,
        budget=table(maybe(NUMBER)),
    ),
    "Capture": thing(
        is_=only("capture"),
        id=TEXT,
        state=only("provisional", "final", "withdrawn", "unsettled"),
        meter=TEXT,
        water=TEXT,
        role=_ROLE,
        started=TIME,
        taken=TIME,
        reason=TEXT,
        values=table(ref("Value")),
        derived=table(ref("Value")),
    ),
    "Event": thing(
        is_=only("event"),
        kind=TEXT,
        meter=TEXT,
        at=TIME,
        text=TEXT,
        data=table({"type": ["number", "string", "null"]}),
    ),
    "Meter": thing(
        is_=only("meter"),
        meter=TEXT,
        driver=TEXT,
        profile=TEXT,
        port=TEXT,
        typed=TRUTH,
        state=only("waiting", "live", "silent", "lost", "unreached", "over", "typed"),
        why=TEXT,
        at=maybe(TIME),
        age_s=maybe(NUMBER),
        silence_s=NUMBER,
        latest=table(thing(value=maybe(NUMBER), flag=maybe(TEXT), at=TIME)),
        status=maybe(ref("Status")),
        fields=many(thing(quantity=TEXT, label=TEXT, unit=TEXT, example=TEXT)),
    ),
    "Alert": thing(
        id=TEXT,
        watch=TEXT,
        kind=TEXT,
        title=TEXT,
        text=TEXT,
        advice=TEXT,
        raised=TIME,
        acknowledged=maybe(TIME),
        cleared=maybe(TIME),
        cleared_text=TEXT,
    ),
    "Learning": thing(
        is_=only("learning"),
        port=TEXT,
        state=only("listening", "proposed", "reading", "ready", "saved", "silent", "failed"),
        says=many(TEXT),
        lines=many(TEXT),
        fields=many(
            thing(
                number=WHOLE, label=TEXT, shown=TEXT, quantity=TEXT, unit=TEXT, why=TEXT, sure=TRUTH
            )
        ),
        readings=many(ref("Reading")),
        why=TEXT,
        snippet=TEXT,
    ),
    "Now": thing(
        is_=only("now"),
        at=TIME,
        version=TEXT,
        cursor=TEXT,
        needs_setup=TRUTH,
        store=TEXT,
        quantities=table(ref("Quantity")),
        meters=many(ref("Meter")),
        guidance=many(ref("Guidance")),
        captures=many(ref("Capture")),
        alerts=many(ref("Alert")),
        learning=maybe(ref("Learning")),
        orders=many(TEXT),
    ),
    "Check": {
        "type": "object",
        "properties": {"is": only("check"), "at": TIME, "meter": TEXT, "bias": NUMBER},
        "required": ["is", "at", "meter", "quantity", "solution", "verdict", "bias"],
    },
    "MeterState": thing(
        is_=only("meter"),
        meter=TEXT,
        at=TIME,
        check_every_days=NUMBER,
        quantities=table({"type": "object"}),
        electrode=maybe({"type": "object"}),
        corrections=many({"type": "object"}),
        never_checked=many(TEXT),
    ),
    "Watch": {
        "type": "object",
        "properties": {"watch": TEXT, "product": TEXT, "feed": maybe(TEXT), "charts": many(TEXT)},
        "required": ["watch", "product", "feed", "charts", "draws", "forecast", "alerts"],
    },
    "Count": {
        "type": "object",
        "properties": {"id": TEXT, "at": TIME, "water": TEXT, "fields": many(WHOLE)},
        "required": ["is", "id", "at", "water", "fields", "total", "per_field", "cautions"],
    },
    "Stop": thing(
        kind=only("check", "rinse", "water", "count"),
        water=TEXT,
        role=_ROLE,
        solution=TEXT,
        repeats=WHOLE,
        closing=TRUTH,
        least_s=NUMBER,
        note=TEXT,
    ),
    "Visit": thing(
        position=WHOLE,
        repeat=WHOLE,
        state=only("taken", "skipped", "set aside"),
        at=TIME,
        capture=maybe(TEXT),
        count=maybe(TEXT),
        note=TEXT,
        flags=many(TEXT),
    ),
    "Round": thing(
        is_=only("round"),
        id=TEXT,
        plan=TEXT,
        meter=TEXT,
        began=TIME,
        ended=maybe(TIME),
        state=only("open", "done", "stopped"),
        note=TEXT,
        stops=many(ref("Stop")),
        visits=many(ref("Visit")),
    ),
}

_NEXT = {"next": maybe(TEXT)}
_CHART = thing(quantity=TEXT, unit=TEXT, width_ms=WHOLE, t_ms=many(WHOLE), **_CURVE)
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
_WATER = thing(water=TEXT, captures=WHOLE, first=TIME, last=TIME, role=_ROLE)

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
                    **_CURVE,
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
                    counts=many({"type": "object"}),
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
            "water cursor limit",
            (200, thing(counts=many(ref("Count")), **_NEXT)),
        ),
        ("post", "Keep a particle count", "", (201, thing(count=ref("Count")))),
    ],
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
        "properties": {"water": TEXT, "fields": many(WHOLE), "shapes": table(WHOLE)},
        "required": ["water", "fields"],
    },
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


def document(paths: Iterable[str]) -> dict[str, Any]:
    """Give the document of those routes; KeyError when one is not described."""
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "ouzel",
            "version": version("ouzel"),
            "description": "Readings, captures and watches of water probes. These readings never "
            "show that a water is safe to drink.",
        },
        "security": [{}, {"token": []}],
        "paths": {
            path: {row[0]: _operation(path, row) for row in ROUTES[path]}
            for path in dict.fromkeys(paths)
        },
        "components": {
            "schemas": dict(SCHEMAS),
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
        },
    }


def _operation(path: str, row: Row) -> dict[str, Any]:
    method, summary, query, (status, content) = row
    names = [part.strip("{}") for part in path.split("/") if part.startswith("{")]
    given = [{"name": name, "in": "path", "required": True, "schema": TEXT} for name in names] + [
        {"name": name, "in": "query", "schema": TEXT} for name in query.split()
    ]
    kind, schema = ("application/json", content) if isinstance(content, dict) else (content, TEXT)
    said: dict[str, Any] = {
        "summary": summary,
        "parameters": given,
        "responses": {
            str(status): {"description": "as asked", "content": {kind: {"schema": schema}}},
            "default": {
                "description": "refused, and why",
                "content": {"application/json": {"schema": ref("Error")}},
            },
        },
    }
    if method == "post":
        body = BODIES.get(path, {"type": "object"})
        said["requestBody"] = {"content": {"application/json": {"schema": body}}}
    return said
