"""Writes what tomllib reads (TOML 1.0); Python has no writer of its own."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

_ESCAPES = {"\\": "\\\\", '"': '\\"', "\x7f": "\\u007F"}


def dumped(tree: dict[str, Any]) -> bytes:
    """Give the tree as TOML: one key a line, everything inside in its inline form."""
    lines = (f"{_text(key)} = {_value(value)}\n" for key, value in tree.items())
    return "".join(lines).encode("utf-8", "surrogatepass")


def _text(text: str) -> str:
    inner = "".join(_ESCAPES.get(c, f"\\u{ord(c):04X}" if ord(c) < 32 else c) for c in text)
    return f'"{inner}"'


def _value(value: Any) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case int():
            return str(value)
        case float():
            if math.isfinite(value):
                return repr(value) if "." in repr(value) or "e" in repr(value) else f"{value!r}.0"
            return "nan" if math.isnan(value) else ("inf" if value > 0 else "-inf")
        case str():
            return _text(value)
        case dt.date():  # and datetime
            return value.isoformat()
        case dt.time():
            return value.isoformat()
        case dict():
            return "{" + ", ".join(f"{_text(k)} = {_value(v)}" for k, v in value.items()) + "}"
        case _:
            return "[" + ", ".join(_value(one) for one in value) + "]"
