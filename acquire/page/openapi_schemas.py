"""The shapes of the interface's answers, as JSON Schema 2020-12 (json-schema.org)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

__all__ = [
    "CURVE",
    "NUMBER",
    "ROLE",
    "SCHEMAS",
    "TEXT",
    "TIME",
    "TRUTH",
    "WHOLE",
    "Schema",
    "many",
    "maybe",
    "only",
    "ref",
    "table",
    "thing",
]

Schema = dict[str, Any]

TEXT: Schema = {"type": "string"}
NUMBER: Schema = {"type": "number"}
WHOLE: Schema = {"type": "integer"}
TRUTH: Schema = {"type": "boolean"}
TIME: Schema = {"type": "string", "format": "date-time"}


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


ROLE = maybe(only("reference", "subject", "rinse", "solution"))
CURVE = {"mean": many(NUMBER), "low": many(NUMBER), "high": many(NUMBER), "n": many(WHOLE)}

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
        role=ROLE,
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
        role=ROLE,
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
