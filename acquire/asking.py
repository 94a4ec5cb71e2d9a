"""Asking the running ouzel for something: a small file beside the store, taken and deleted.

Only one process writes to a store. A command that wants something written while `ouzel serve` runs
leaves a note there; whoever may write beside the store may ask, nobody else.
"""

from __future__ import annotations

import json
import os
import secrets
from contextlib import suppress
from pathlib import Path

__all__ = ["ask", "asked"]

_LONGEST = 32 * 1024


def ask(store: Path, request: dict[str, str]) -> Path:
    """Leave a request; the file is gone once it was taken."""
    note = store.with_name(f"{store.name}.ask-{secrets.token_hex(8)}")
    unfinished = note.with_name(f"{note.name}.new")
    unfinished.write_text(json.dumps(request), "utf-8")
    unfinished.replace(note)
    return note


def asked(store: Path) -> list[tuple[Path, dict[str, str]]]:
    """Give the requests that wait, oldest first; what is none is deleted."""
    found: list[tuple[float, Path, dict[str, str]]] = []
    names: list[str] = []
    start, length = f"{store.name}.ask-", len(store.name) + len(".ask-") + 16
    with suppress(OSError):
        here = os.listdir(store.parent)  # noqa: PTH208 - every second, for years
        names = [name for name in here if name.startswith(start) and len(name) == length]
    for name in names:
        note = store.parent / name
        with suppress(OSError):
            said = None
            with suppress(ValueError, RecursionError), note.open(encoding="utf-8") as file:
                said = json.loads(file.read(_LONGEST))
            if isinstance(said, dict) and all(isinstance(one, str) for one in said.values()):
                found.append((note.stat().st_mtime, note, said))
            else:
                note.unlink()
    return [(note, said) for _, note, said in sorted(found, key=lambda one: one[:2])]
