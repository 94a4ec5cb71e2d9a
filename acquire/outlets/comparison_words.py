"""A comparison as people read it, in 80 columns: the answer first, then what it rests on."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from acquire.bench.beside import Derived
from acquire.bench.comparison import Comparison
from acquire.bench.differing import Row
from acquire.outlets.cells import padded, wrap
from acquire.outlets.words import listed, shown_as_deserved, tidy
from acquire.quantities import Quantity
from acquire.water.cautions import ADVICE, SAFETY
from acquire.water.limits import Limit

__all__ = ["answer", "bounds_text", "cautions", "comparison_lines", "table_lines", "wrapped"]

Quantities = Mapping[str, Quantity]
_WIDTH = 79


def wrapped(text: str, indent: str = "", *, then: str | None = None) -> list[str]:
    """Break between words at 79 columns."""
    return wrap(text, _WIDTH, indent, then=then)


def cautions(*more: str) -> list[str]:
    """Give what must stand under every verdict, wrapped."""
    return [line for text in (SAFETY, ADVICE, *more) for line in wrapped(text)]


def answer(found: Comparison, quantities: Quantities) -> str:
    """Give the answer in one sentence a verdict."""
    said = {
        verdict: [quantities[r.quantity].label for r in found.rows if r.verdict == verdict]
        for verdict in ("yes", "no", "cannot tell")
    }
    parts = []
    if said["yes"]:
        parts.append(f"They differ in {listed(said['yes'])}.")
    if said["no"]:
        parts.append(f"No difference that matters in {listed(said['no'])}.")
    if said["cannot tell"]:
        parts.append(f"It cannot be told for {listed(said['cannot tell'])}.")
    return " ".join(parts) or "These waters have no quantity in common."


def table_lines(found: Comparison, quantities: Quantities) -> Iterator[str]:
    """Give a line a quantity: reference, subject, difference, does it differ."""
    here, there = (
        tidy(found.reference_water or "reference", 16),
        tidy(found.subject_water or "subject", 15),
    )
    heads = padded(here, 16, right=True), padded(there, 15, right=True)
    yield f"{'':<18} {heads[0]} {heads[1]} {'difference':>16} differs?"
    for row in found.rows:
        quantity = quantities[row.quantity]
        bare = replace(quantity, shown_unit="")
        label = padded(tidy(f"{quantity.label} {quantity.shown_unit}".rstrip(), 18), 18)
        sides = [
            "–" if one is None else shown_as_deserved(bare, one.value, one.whole.expanded())
            for one in (row.reference, row.subject)
        ]
        yield f"{label} {sides[0]:>16} {sides[1]:>15} {_apart(bare, row):>16} {row.verdict}"


def _apart(bare: Quantity, row: Row) -> str:
    if row.difference is None or row.expanded_u is None:
        return "–"
    text = shown_as_deserved(bare, row.difference, row.expanded_u)
    return text if text.startswith("-") else f"+{text}"


def comparison_lines(found: Comparison, quantities: Quantities) -> Iterator[str]:
    """Give all of it."""
    here, there = (tidy(w) or "?" for w in (found.reference_water, found.subject_water))
    yield from wrapped(f"{there} (subject) against {here} (reference)", then="  ")
    yield ""
    yield from wrapped(answer(found, quantities))
    yield ""
    yield from table_lines(found, quantities)
    yield ""
    yield from wrapped(
        "± is 95 %: of a water with all that the meter may be off; of the difference without what "
        "is the same in both. `no`: a difference that matters would have shown. `cannot tell`: "
        "it would not have, or something speaks against it."
    )
    yield from _section("Why", (_why(row, quantities) for row in found.rows))
    yield from _section("Published limits (none is about safety)", _places(found, quantities))
    yield from _section("Follows from the values", (_derived(d, quantities) for d in found.derived))
    disagree = [
        f"{f.text} {f.arithmetic} (capture {one})"
        for one, f in found.findings
        if f.kind != "agrees"
    ]
    yield from _section("Do the numbers agree with each other?", disagree)
    yield from _section("Note", found.notes)
    yield ""
    yield from cautions()


def _section(title: str, texts: Iterable[str]) -> Iterator[str]:
    shown = [text for text in texts if text]
    if shown:
        yield ""
        yield title
        for text in shown:
            yield from wrapped(tidy(text, 600), "  ", then="    ")


def _why(row: Row, quantities: Quantities) -> str:
    text = f"{quantities[row.quantity].label}: {row.why}"
    ratio = row.ratio
    if ratio is None or row.verdict != "yes":
        return text
    if not ratio.bounded:
        return f"{text}; the reference holds too little for a ratio"
    return f"{text}; {ratio.value:.3g} times as much ({ratio.low:.3g} to {ratio.high:.3g})"


def _places(found: Comparison, quantities: Quantities) -> Iterator[str]:
    words = {"inside": "within", "outside": "OUTSIDE", "cannot tell": "cannot tell:"}
    for place in found.places:
        limit, quantity = place.limit, quantities[place.quantity]
        bounds = bounds_text(limit, quantity.shown_unit)
        yield (
            f"{tidy(place.water, 24)}, {quantity.label}: {words[place.found.place]} {bounds} "
            f"({limit.authority}, {limit.kind}: {limit.source})"
        )
    for one in found.classes:
        said = one.labels[0] if len(one.labels) == 1 else f"cannot tell: {' or '.join(one.labels)}"
        yield (
            f"{tidy(one.water, 24)}, {quantities[one.quantity].label}: {said} "
            f"({one.classes.authority}, {one.classes.kind}: {one.classes.source})"
        )


def bounds_text(limit: Limit, unit: str) -> str:
    """Give from where to where a limit lets a value be."""
    low, high = (None if v is None else f"{v:.4g}" for v in (limit.lower, limit.upper))
    text = f"{low} to {high}" if low and high else f"at most {high}" if high else f"from {low}"
    return f"{text} {unit}".rstrip()


def _derived(one: Derived, quantities: Quantities) -> str:
    known = quantities.get(one.name)
    label = known.label if known else {"eh": "Eh", "rejection": "Rejection"}.get(one.name, one.name)
    unit = known.shown_unit if known else one.unit
    side = "" if one.side == "both" else f"{one.side}, "
    text = f"{side}{label} {one.value:.4g}"
    if one.low is not None and one.high is not None and math.isfinite(one.low + one.high):
        text += f" ({one.low:.4g} to {one.high:.4g})"
    return f"{text} {unit}".rstrip() + f": {one.method}"
