"""The interface described for machines: OpenAPI 3.1 (spec.openapis.org), JSON Schema 2020-12.

Only the routes there are get into the document; the tests hold each against what it really answers.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from acquire import __version__
from acquire.page.openapi_routes import BODIES, ROUTES, Row
from acquire.page.openapi_schemas import SCHEMAS, TEXT, ref

__all__ = ["document"]


def document(paths: Iterable[str]) -> dict[str, Any]:
    """Give the document of those routes; KeyError when one is not described."""
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "ouzel",
            "version": __version__,
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
