"""Answers of the HTTP interface, and what is read out of questions. Pure but for the response."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from acquire.outlets.as_json import finite
from acquire.readings import Role

__all__ = ["Refused", "answer", "instant_of", "role_of", "said_in", "text_of", "whole_of"]
__all__ += ["written"]

_BACK = re.compile(r"-(\d{1,9}(?:\.\d{1,6})?)([dhm])")
_UNIT_MS = {"d": 86_400_000, "h": 3_600_000, "m": 60_000}
_LAST_MS = 253_402_300_799_999


class Refused(Exception):
    """A request that is not carried out: status and, in words, what to do."""

    def __init__(self, status: int, text: str, **more: Any) -> None:
        self.status = status
        self.text = text
        self.more = more
        super().__init__(text)


def written(data: Any) -> bytes:
    """JSON in ASCII, so that no log and no terminal can be tricked by a name."""
    try:  # nearly always all is finite, and looking at each number costs more than writing it
        text = json.dumps(data, allow_nan=False, separators=(",", ":"))
    except (ValueError, TypeError):
        text = json.dumps(finite(data), allow_nan=False, separators=(",", ":"))
    return text.encode()


def answer(data: Any, status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    """Give data as a response."""
    return Response(written(data), status, headers, media_type="application/json")


async def said_in(request: Request) -> dict[str, Any]:
    """Give the body, an object; its length is bounded by the guard."""
    try:
        said = json.loads(await request.body() or b"{}", parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise Refused(400, "the body is not JSON") from error
    if not isinstance(said, dict):
        raise Refused(400, "the body is no JSON object")
    return said


def _no_constant(name: str) -> float:
    raise ValueError(name)


def text_of(said: Mapping[str, Any], key: str, most: int, *, default: str | None = None) -> str:
    """Give one text of a body or query without its outer spaces."""
    value = said.get(key, default)
    if not isinstance(value, str):
        raise Refused(400, f"{key} is missing" if value is None else f"{key} must be text")
    value = value.strip()
    if len(value) > most:
        raise Refused(400, f"{key} is longer than {most} characters")
    return value


def role_of(said: Mapping[str, Any]) -> Role | None:
    """Give the role of a water; None where none is said."""
    text = text_of(said, "role", 20, default="")
    if text and text not in {one.value for one in Role}:
        raise Refused(400, f"role: one of {', '.join(one.value for one in Role)}")
    return Role(text) if text else None


def whole_of(said: Mapping[str, Any], key: str, low: int, high: int, default: int) -> int:
    """Give a whole number of the query."""
    text = said.get(key)
    if text is None:
        return default
    if not re.fullmatch(r"\d{1,18}", text) or not low <= int(text) <= high:
        raise Refused(400, f"{key} must be a whole number from {low} to {high}")
    return int(text)


def instant_of(said: Mapping[str, Any], key: str, now_ms: int, default: int | None) -> int | None:
    """Give UTC milliseconds: written so, as ISO 8601 (UTC unless it says else), or `-7d` back."""
    text = said.get(key)
    if not text:
        return default
    back = _BACK.fullmatch(text)
    if back is not None:
        return max(0, now_ms - round(float(back[1]) * _UNIT_MS[back[2]]))
    if re.fullmatch(r"\d{1,18}", text):
        return min(int(text), _LAST_MS)
    try:
        # A plus in an address is a space to those who decode it.
        moment = datetime.fromisoformat(text.strip().replace(" ", "+"))
    except ValueError as error:
        raise Refused(400, f"{key}: a time such as 2026-03-01T09:30:00Z, or -7d") from error
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return max(0, round(moment.timestamp() * 1000))
