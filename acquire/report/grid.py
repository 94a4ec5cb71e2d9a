"""Tables of a report: scoped headers, and cells that know their header when a phone stacks them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from acquire.report.markup import Child, Markup, join, tag

__all__ = ["grid"]

_LONG = 14
"""Letters of a word that a narrow column has to break: a name, none of our own headers."""


def grid(
    caption: Child,
    heads: Sequence[str],
    rows: Iterable[Sequence[Child]],
    *,
    numbers: Sequence[int] = (),
    look: str = "",
) -> Markup:
    """Give a table; the first cell of each row is its header, `numbers` are columns of numbers.

    The roles are written out, for a style that stacks a table takes them away in some browsers.
    """

    def cell(place: int, child: Child) -> Markup:
        kind = "number" if place in numbers else None
        if place == 0:
            look = _look(child if isinstance(child, str) else "", is_number=0 in numbers)
            return tag("th", child, scope="row", role="rowheader", class_=look)
        inner = join(tag("span", child)) if child != "" else ""
        return tag("td", inner, role="cell", class_=kind, data_head=heads[place])

    body = [
        tag("tr", *(cell(place, child) for place, child in enumerate(row)), role="row")
        for row in rows
    ]
    if not body:
        return Markup()
    head = (
        tag(
            "th",
            text,
            scope="col",
            role="columnheader",
            class_=_look(text, is_number=place in numbers),
        )
        for place, text in enumerate(heads)
    )
    return tag(
        "table",
        tag("caption", caption),
        tag("thead", tag("tr", *head, role="row"), role="rowgroup"),
        tag("tbody", *body, role="rowgroup"),
        role="table",
        class_=look or None,
    )


def _look(head: str, *, is_number: bool) -> str | None:
    is_long = any(len(word) > _LONG for word in re.sub(r"<[^>]*>", " ", head).split())
    return " ".join(["number"] * is_number + ["long"] * is_long) or None
