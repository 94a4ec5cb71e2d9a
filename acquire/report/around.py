"""What stands around the waters: checks of the meter, particles, what was done, cautions."""

from __future__ import annotations

from collections.abc import Iterator

from acquire.bench.particles import CountComparison, CountResult
from acquire.checks import Check
from acquire.outlets.words import listed
from acquire.report.grid import grid
from acquire.report.markup import Markup, join, tag
from acquire.report.view import MARKS, View, figures
from acquire.rounds import Visit
from acquire.water.cautions import ADVICE, MICROSCOPE, SAFETY

__all__ = ["cautions_of", "checks_of", "done_of", "particles_of"]

_VERDICTS = {"pass": "● pass", "fail": "✕ FAIL", "cannot tell": "◐ cannot tell"}


def checks_of(view: View) -> Iterator[Markup]:
    """What the checks of this round said of the meter, and the corrections behind the values."""
    checks = [check for taken in view.all.taken for check in taken.checks]
    if not checks:
        yield tag(
            "p",
            "No check of a known solution was taken in this round: nothing here shows that the "
            "meter was right, nor that it held.",
            class_="note",
        )
    yield grid(
        "Checks against solutions of known value",
        ("Solution", "Quantity", "The meter said", "Expected", "Allowed", "Verdict"),
        (_check(view, check) for check in checks),
        numbers=(2, 3, 4),
        look="stack",
    )
    for one in view.all.corrections:
        since = view.day(one.from_ms)
        yield tag("p", f"{view.label(one.quantity)} is {one.method}, in force since {since}.")
    if not view.all.corrections:
        yield tag("p", "No correction was in force: the values are the meter's own.")


def _check(view: View, check: Check) -> tuple[Markup, ...]:
    allowed = "nobody says" if check.allowed is None else f"± {check.allowed:.3g}"
    return (
        join(check.label, tag("span", f" {view.clock(check.at_ms)}", class_="quiet")),
        join(view.label(check.quantity)),
        join(view.pair(check.quantity, check.said, check.said_u)),
        join(view.pair(check.quantity, check.expected, check.expected_u)),
        join(allowed),
        join(
            tag("b", _VERDICTS[check.verdict]),
            tag("span", view.redaction.text(check.reason), class_="why"),
        ),
    )


def particles_of(view: View) -> Iterator[Markup]:
    """What was counted under the microscope; the caution above the numbers."""
    if not view.all.counts:
        return
    yield tag("p", MICROSCOPE, class_="caution")
    for one in view.all.count_comparisons:
        yield _counts_apart(view, one)
    yield grid(
        "Particles, bubbles left out; 95 % intervals",
        ("Water", "Counted", "In a field", "In a mL", "Shapes"),
        (_count(view, one) for one in view.all.counts),
        numbers=(1, 2, 3),
        look="stack",
    )
    texts = [text for one in view.all.counts for text in (*one.how, *one.warnings)]
    yield tag("ul", *(tag("li", text) for text in dict.fromkeys(texts)), class_="small")


def _counts_apart(view: View, one: CountComparison) -> Markup:
    here, there = (view.water(r.count.water) for r in (one.reference, one.subject))
    words = {"yes": "differ", "no": "show no difference that would matter"}
    said = words.get(one.verdict, "cannot be told apart")
    return tag(
        "p",
        tag("span", MARKS[one.verdict], class_="mark", aria_hidden="true"),
        tag("b", f"Particles in {there} and {here} {said}: "),
        f"{one.why}.",
    )


def _count(view: View, one: CountResult) -> tuple[Markup, ...]:
    count = one.count
    fields = f"{len(count.fields)} field" + ("" if len(count.fields) == 1 else "s")
    if one.is_none_seen:
        field = f"none seen: fewer than {figures(one.upper_per_field)}"
        in_ml = "" if one.upper_per_ml is None else f"fewer than {figures(one.upper_per_ml)}"
    else:
        field = _range(one.per_field, one.per_field_low, one.per_field_high)
        in_ml = ""
        if one.per_ml is not None:
            in_ml = _range(one.per_ml, one.per_ml_low or 0.0, one.per_ml_high or 0.0)
    shapes = [_some(number, shape) for shape, number in count.shapes.items() if number]
    if count.bubbles:
        shapes.append(f"{_some(count.bubbles, 'bubble')} left out")
    return (
        join(view.water(count.water)),
        join(f"{one.total} in {fields}"),
        join(field),
        join(in_ml or "not known"),
        join(listed(shapes), tag("span", count.note, class_="why") if count.note else ""),
    )


def _some(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 or what == "other" else f"{number} {what}s"


def _range(value: float, low: float, high: float) -> str:
    return f"{figures(value)} ({figures(low)} to {figures(high)})"


def done_of(view: View) -> Iterator[Markup]:
    """Stop by stop what was done, when, and what was odd about it."""
    visits: dict[int, list[Visit]] = {}
    for visit in view.all.round.visits:
        visits.setdefault(visit.position, []).append(visit)
    items = []
    for position, stop in enumerate(view.all.round.stops):
        name = f"{stop.kind}: {stop.water}" if stop.water != stop.kind else stop.kind
        closing = " (closing)" if stop.is_closing else ""
        mine = visits.get(position, [])
        said = [_visit(view, visit) for visit in mine] or [tag("p", "never reached")]
        items.append(tag("li", tag("b", name), closing, *said))
    if items:
        yield tag("ol", *items, class_="done")
    if view.all.round.note:
        yield tag("p", tag("b", "Note: "), view.all.round.note)


def _visit(view: View, visit: Visit) -> Markup:
    again = f", repeat {visit.repeat}" if visit.repeat > 1 else ""
    record = visit.capture_id or visit.count_id
    return tag(
        "p",
        f"{view.clock(visit.at_ms)} {visit.state}{again}",
        tag("span", f" {record}", class_="quiet") if record else "",
        *(tag("span", f"! {flag}", class_="why") for flag in visit.flags),
        tag("span", f"“{visit.note}”", class_="why") if visit.note else "",
    )


def cautions_of(view: View) -> Iterator[Markup]:
    """Give what must not be read into any of it."""
    yield tag("p", SAFETY)
    yield tag("p", ADVICE)
    if view.all.counts:
        yield tag("p", MICROSCOPE)
    yield tag(
        "p",
        "Check solutions belong neither into food nor into the eyes; their labels say how to "
        "handle them. Work on plumbing is for a licensed professional and follows the local code.",
    )
