"""In which order day and month stand, by all dates of a column: told, asked, never guessed. Pure.

One column is one order, or nobody knows what its rows mean. A workbook that took 03/04 for a date
of March keeps it as a date cell and leaves 13/04 as text: both kinds in one column are asked about.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import date
from typing import Literal

from acquire.importing.cells import PARTS, Order, split_clock
from acquire.importing.sheets import Cell

__all__ = ["asked_of", "order_of"]

Lines = Sequence[tuple[int, Cell]]
"""Line of the table and its date."""
_Kind = Literal["day first", "month first", "either", "point", "cell", "none"]
_NAMED = 3


def order_of(cells: Iterable[Cell]) -> Order:
    """Say in which order day and month stand in these cells; a point between them is day first.

    `unclear` where none tells, or one tells otherwise than another.
    """
    kinds = {_kind(cell) for cell in cells}
    if kinds >= {"day first", "month first"}:
        return "unclear"
    if "month first" in kinds:
        return "mdy"
    if "day first" in kinds:
        return "dmy"
    if "either" in kinds:
        return "unclear"
    return "dmy" if "point" in kinds else "ymd"


def asked_of(lines: Lines) -> str:
    """Give what must be asked of these dates, naming their rows; empty where they are clear."""
    by_kind: dict[_Kind, list[tuple[int, Cell]]] = {}
    for line, cell in lines:
        by_kind.setdefault(_kind(cell), []).append((line, cell))
    day, month = by_kind.get("day first", []), by_kind.get("month first", [])
    texts = [*day, *month, *by_kind.get("either", [])]
    if day and month:
        return (
            f"the day stands first in {_named(day)}, the month in {_named(month)}: mend the file, "
            "or say --dates dmy or mdy, and rows that cannot be so are left out"
        )
    if texts and by_kind.get("cell"):
        return (
            f"some dates are date cells ({_lines(by_kind['cell'])}), others text "
            f"({_named(texts)}): a workbook that took 03/04 for March leaves 13/04 as text. "
            "Look whether the date cells are right, then say --dates dmy or mdy for the text"
        )
    if order_of(cell for _, cell in lines) == "unclear":
        which = _named(by_kind.get("either", []))
        return f"is {which} day or month first? Say --dates dmy or mdy"
    return ""


def _kind(cell: Cell) -> _Kind:
    if isinstance(cell, date):  # a datetime is one
        return "cell"
    parts = PARTS.match(split_clock(cell.strip())[0]) if isinstance(cell, str) else None
    if parts is None or len(parts.group(1)) == 4:
        return "none"
    if "." in parts.group(0):
        return "point"
    first, second = int(parts.group(1)), int(parts.group(2))
    if first > 12:
        return "day first"
    if second > 12:
        return "month first"
    return "either" if first != second else "none"


def _named(some: Lines) -> str:
    """Name the first of them: line 3 (13/04/2025), line 7 (…) and 5 more."""
    said = [f"line {n} ({re.sub(r'[^ -~]', '', str(cell))[:20]})" for n, cell in some[:_NAMED]]
    more = f" and {len(some) - _NAMED} more" if len(some) > _NAMED else ""
    return ", ".join(said) + more


def _lines(some: Lines) -> str:
    said = ", ".join(str(n) for n, _ in some[:_NAMED])
    more = f" and {len(some) - _NAMED} more" if len(some) > _NAMED else ""
    return f"line{'s' if len(some) > 1 else ''} {said}{more}"
