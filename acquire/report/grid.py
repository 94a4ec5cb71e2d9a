"""Tables of a report: scoped headers, and cells that know their header when a phone stacks them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from acquire.report.markup import Child, Markup, join, tag

__all__ = ["grid"]


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
            return tag("th", child, scope="row", role="rowheader", class_=kind)
        inner = join(tag("span", child)) if child != "" else ""
        return tag("td", inner, role="cell", class_=kind, data_head=heads[place])

    body = [
        tag("tr", *(cell(place, child) for place, child in enumerate(row)), role="row")
        for row in rows
    ]
    if not body:
        return Markup()
    head = (
        tag("th", text, scope="col", role="columnheader", class_="number" if i in numbers else None)
        for i, text in enumerate(heads)
    )
    return tag(
        "table",
        tag("caption", caption),
        tag("thead", tag("tr", *head, role="row"), role="rowgroup"),
        tag("tbody", *body, role="rowgroup"),
        role="table",
        class_=look or None,
    )
