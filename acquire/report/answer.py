"""The answer: what differs beyond what this probe can tell, and the table it rests on."""

from __future__ import annotations

import math
from collections.abc import Iterator

from acquire.bench.comparison import Comparison, Row
from acquire.outlets.comparison_words import bounds_text
from acquire.report.grid import grid
from acquire.report.markup import Child, Markup, join, tag
from acquire.report.svg import figure
from acquire.report.view import MARKS, View, figures
from acquire.water.cautions import ADVICE, SAFETY

__all__ = ["answers", "headline"]

_WORDS = {
    "yes": "Differs beyond what this probe can tell",
    "no": "No difference that would matter",
    "cannot tell": "Cannot be told",
}
_MOST = 1000.0


def headline(view: View) -> str:
    """The round in a few words: who against whom."""
    pairs = view.all.comparisons
    if not pairs:
        return "A round without a comparison"
    subjects = list(dict.fromkeys(view.water(one.subject_water) for one in pairs))
    references = list(dict.fromkeys(view.water(one.reference_water) for one in pairs))
    return f"{' and '.join(subjects)} against {' and '.join(references)}"


def answers(view: View) -> Iterator[Markup]:
    """Give one article a comparison, the caution under the first sentence of each."""
    for one in view.all.comparisons:
        yield _article(view, one)
    yield from _left_out(view)
    if not view.all.comparisons:
        yield tag(
            "p",
            "This round holds no final capture of a reference and of a subject, so nothing can be "
            "compared. What was captured stands below.",
        )
        yield tag("p", SAFETY, class_="caution")


def _article(view: View, one: Comparison) -> Markup:
    here, there = view.water(one.reference_water), view.water(one.subject_water)
    return tag(
        "article",
        tag("h2", *_heading(view, here, there)),
        tag("dl", *_verdicts(view, one), class_="verdicts"),
        tag("p", f"{SAFETY} {ADVICE}", class_="caution"),
        _ladder(view, one),
        _table(view, one, here, there),
        tag(
            "p",
            "± is the 95 % uncertainty: of a water with all that the meter may be off, of the "
            "difference without what is the same in both.",
            class_="small",
        ),
        *(tag("p", view.redaction.text(note), class_="note") for note in one.notes),
        _limits(view, one),
        class_="answer",
    )


def _heading(view: View, here: str, there: str) -> tuple[Child, ...]:
    """One comparison is named by the title already."""
    if len(view.all.comparisons) == 1:
        return ("What differs",)
    return (there, tag("span", " against ", class_="quiet"), here)


def _verdicts(view: View, one: Comparison) -> Iterator[Markup]:
    for verdict, words in _WORDS.items():
        rows = [row for row in one.rows if row.verdict == verdict]
        if not rows:
            continue
        yield tag("dt", tag("span", MARKS[verdict], class_="mark", aria_hidden="true"), words)
        yield tag("dd", tag("ul", *(tag("li", *_said(view, row)) for row in rows)))


def _said(view: View, row: Row) -> Iterator[Markup]:
    """One quantity of the answer, in words."""
    label = view.label(row.quantity)
    yield tag("b", label)
    if row.verdict == "yes" and row.difference is not None:
        way = "higher" if row.difference > 0 else "lower"
        size = view.pair(row.quantity, abs(row.difference), row.expanded_u or 0.0)
        yield join(f" {way} by {size}{_times(row)}")
    elif row.verdict == "cannot tell":
        yield join(f": {view.redaction.text(row.why)}")


def _times(row: Row) -> str:
    ratio = row.ratio
    if ratio is None or not ratio.bounded or not math.isfinite(ratio.high):
        return ""
    value, low, high = (figures(part, 3) for part in (ratio.value, ratio.low, ratio.high))
    return f", {value} times as much ({low} to {high})"


def _table(view: View, one: Comparison, here: str, there: str) -> Markup:
    def cells(row: Row) -> Iterator[Markup]:
        label, unit = view.label(row.quantity), view.unit(row.quantity)
        yield join(label, tag("span", f" {unit}", class_="quiet") if unit else "")
        for side in (row.reference, row.subject):
            text = "–"
            if side is not None:
                u = side.whole.expanded()
                text = view.pair(row.quantity, side.value, u, with_unit=False)
            yield join(text)
        yield join(view.apart(row, with_unit=False))
        yield join(
            tag("span", MARKS[row.verdict], class_="mark", aria_hidden="true"),
            tag("b", row.verdict),
            tag("span", view.redaction.text(row.why), class_="why") if _is_worth(row) else "",
        )

    return grid(
        join("Quantity by quantity: ", there, " (subject) minus ", here, " (reference)"),
        ("Quantity", f"○ {here}", f"● {there}", "Difference", "Differs?"),
        (tuple(cells(row)) for row in one.rows),
        numbers=(1, 2, 3),
        look="stack",
    )


def _is_worth(row: Row) -> bool:
    """A plain yes explains itself by the numbers before it."""
    return row.verdict != "yes" or "matters" in row.why


def _ladder(view: View, one: Comparison) -> Markup:
    """Each difference as a multiple of its own uncertainty, on one logarithmic scale."""
    rows = [r for r in one.rows if r.difference is not None and r.expanded_u]
    if not rows:
        return Markup()
    step, top, left, right = 21.0, 34.0, 112.0, 330.0
    sizes = {r.quantity: abs(r.difference or 0.0) / (r.expanded_u or 1.0) for r in rows}
    most = min(_MOST, max(10.0, 1.3 * max(sizes.values())))
    bottom = top + step * len(rows) - 4.0

    def x(size: float) -> float:
        part = math.log10(max(size, 0.1) / 0.1) / math.log10(most / 0.1)
        return left + (right - left) * min(1.0, part)

    one_x = x(1.0)
    drawn = [
        tag(
            "rect", x=left, y=top - 12, width=one_x - left, height=bottom - top + 12, class_="band"
        ),
        tag("line", x1=one_x, x2=one_x, y1=top - 17.0, y2=bottom, class_="moment"),
        tag("text", "what this probe can tell", x=one_x + 7.0, y=top - 18.0, class_="tick"),
        tag("path", d=f"M{one_x - 4:.1f} {top - 24:.1f}h8l-4 7Z", class_="flag"),
    ]
    for index, row in enumerate(rows):
        y, at = top + step * index, x(sizes[row.quantity])
        drawn.append(tag("text", view.label(row.quantity), x=0.0, y=y + 4.0, class_="word"))
        drawn.append(tag("line", x1=left, x2=at, y1=y, y2=y, class_="stem"))
        drawn.append(_mark(row.verdict, at, y))
    for size in (0.1, 1.0, 10.0, 100.0, 1000.0):
        if size <= most:
            text = "0.1 or less" if size < 1 else f"{size:g} ×"
            look = "tick" if size < 1 else "tick mid"
            drawn.append(tag("text", text, x=x(size), y=bottom + 14.0, class_=look))
    texts = [
        f"{view.label(name)} {size:.2g} times" if size < _MOST else f"{view.label(name)} far beyond"
        for name, size in sizes.items()
    ]
    return tag(
        "figure",
        figure(
            view.name_of_figure(),
            "How large each difference is, measured by what this probe can tell",
            f"Multiples of its own 95 % uncertainty: {', '.join(texts)}. Above 1 it differs, "
            "unless something speaks against it.",
            *drawn,
            height=bottom + 20.0,
        ),
        tag("figcaption", "Each difference as a multiple of its own uncertainty (95 %)."),
        class_="ladder",
    )


def _mark(verdict: str, x: float, y: float) -> Markup:
    """The shapes of `MARKS`: full, empty, half."""
    ring = tag("circle", cx=x, cy=y, r=5.0, class_="full" if verdict == "yes" else "hollow")
    if verdict != "cannot tell":
        return ring
    half = f"M{x:.1f} {y - 5:.1f}a5 5 0 0 0 0 10Z"
    return join(ring, tag("path", d=half, class_="full"))


def _limits(view: View, one: Comparison) -> Markup:
    """Where both waters stand to published limits; none of them is about safety."""
    words = {"inside": "within", "outside": "outside", "cannot tell": "cannot tell"}
    found: dict[tuple[str, str, str], dict[str, str]] = {}
    for place in one.places:
        limit = place.limit
        source = f"{limit.authority}, {limit.kind}: {limit.source}"
        key = (place.quantity, bounds_text(limit, view.unit(place.quantity)), source)
        found.setdefault(key, {})[place.side] = words[place.found.place]
    for cls in one.classes:
        source = f"{cls.classes.authority}, {cls.classes.kind}: {cls.classes.source}"
        said = ("" if len(cls.labels) < 2 else "cannot tell: ") + " or ".join(cls.labels)
        found.setdefault((cls.quantity, "a class", source), {})[cls.side] = said
    rows = (
        (
            view.label(quantity),
            bounds,
            sides.get("reference", "–"),
            sides.get("subject", "–"),
            source,
        )
        for (quantity, bounds, source), sides in found.items()
    )
    here, there = view.water(one.reference_water), view.water(one.subject_water)
    heads = ("Quantity", "Limit", f"○ {here}", f"● {there}", "Who says so")
    caption = "Published limits and classes, the uncertainty as guard band; none is about safety"
    return grid(caption, heads, rows, look="stack small")


def _left_out(view: View) -> Iterator[Markup]:
    """Waters of the plan that could not be compared, each with why."""
    compared = {w for one in view.all.comparisons for w in (one.reference_water, one.subject_water)}
    compared = {view.redaction.water(name) for name in compared}
    for stop in view.all.round.stops:
        if stop.kind != "water" or stop.water in compared:
            continue
        compared.add(stop.water)
        mine = [taken.capture for taken in view.all.taken if taken.capture.water == stop.water]
        why = mine[-1].reason if mine else "it was not captured"
        yield tag("p", tag("b", f"{stop.water} is not compared: "), f"{why}.", class_="note")
