"""Particle counts as people read them, in 80 columns."""

from __future__ import annotations

import math
from collections.abc import Iterator

from acquire.bench.particles import CountComparison, CountResult
from acquire.outlets.check_words import date_text
from acquire.outlets.comparison_words import cautions, wrapped
from acquire.outlets.words import tidy
from acquire.water.cautions import MICROSCOPE

__all__ = ["count_comparison_lines", "count_lines", "count_title"]


def count_title(found: CountResult, withdrawn: str = "") -> str:
    """One line: id, day, water, how many in how many fields."""
    one = found.count
    fields = f"{len(one.fields)} field" + ("s" if len(one.fields) != 1 else "")
    gone = f"  WITHDRAWN: {tidy(withdrawn, 24)}" if withdrawn else ""
    name = tidy(one.water, 24) or "?"
    return f"{one.id}  {date_text(one.at_ms)}  {name}: {found.total} in {fields}{gone}"


def count_lines(found: CountResult) -> Iterator[str]:
    """Give what a count says, what it rests on, and what it cannot show."""
    yield count_title(found)
    yield from _numbers(found)
    if found.count.shapes and found.total:
        shapes = ", ".join(f"{name} {n}" for name, n in found.count.shapes.items() if n)
        yield f"  shapes      {shapes}"
    if found.count.bubbles:
        yield f"  left out    {found.count.bubbles} bubbles"
    if found.count.note:
        yield from wrapped(tidy(found.count.note, 200), "  note        ", then=" " * 14)
    for text in found.how:
        yield from wrapped(text, "  - ", then="    ")
    for text in found.warnings:
        yield from wrapped(text, "  ! ", then="    ")
    yield ""
    yield from cautions(MICROSCOPE)


def _numbers(found: CountResult) -> Iterator[str]:
    if found.is_none_seen:
        yield f"  per field   none seen: fewer than {found.upper_per_field:.2g} (95 %, one-sided)"
        if found.upper_per_ml is not None:
            upper = _plain(found.upper_per_ml)
            yield f"  per mL      none seen: fewer than {upper} (95 %, one-sided)"
        return
    low, high = found.per_field_low, found.per_field_high
    yield f"  per field   {found.per_field:.3g}  ({low:.3g} to {high:.3g}, 95 %)"
    if found.per_ml is not None and found.volume_ml is not None:
        low_ml, high_ml = found.per_ml_low or 0.0, found.per_ml_high or 0.0
        yield (
            f"  per mL      {_plain(found.per_ml)}  ({_plain(low_ml)} to {_plain(high_ml)}, 95 %), "
            f"from {1000 * found.volume_ml:.3g} µL"
        )


def _plain(number: float) -> str:
    """Three digits, without an exponent."""
    if number < 1000:
        return f"{number:.3g}"
    return f"{float(f'{number:.3g}'):.0f}"


def count_comparison_lines(found: CountComparison) -> Iterator[str]:
    """Give the answer, the numbers of both, and the caution."""
    here, there = (tidy(r.count.water, 30) or "?" for r in (found.reference, found.subject))
    words = {"yes": "They differ", "no": "No difference that matters"}
    yield from wrapped(f"{there} (subject) against {here} (reference), particles")
    yield ""
    yield from wrapped(f"{words.get(found.verdict, 'It cannot be told')}: {found.why}.")
    for side in (found.reference, found.subject):
        yield ""
        yield count_title(side)
        yield from _numbers(side)
    ratio = found.ratio
    if found.reference.total + found.subject.total:
        said = f"at least {ratio.low:.3g}"
        if math.isfinite(ratio.high):
            said = f"{ratio.value:.3g} ({ratio.low:.3g} to {ratio.high:.3g})"
        yield ""
        yield from wrapped(
            f"Subject over reference, by {found.exposure}: {said}, 95 %; "
            f"p = {ratio.p_value:.2g}, exact conditional test "
            "(Przyborowski & Wilenski 1940), averaged over what two drops differ by."
        )
    for text in dict.fromkeys((*found.reference.warnings, *found.subject.warnings)):
        yield from wrapped(text, "  ! ", then="    ")
    yield ""
    yield from cautions(MICROSCOPE)
