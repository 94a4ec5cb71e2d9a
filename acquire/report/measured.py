"""Each capture of the round: its values, and how they came to rest."""

from __future__ import annotations

from collections.abc import Iterator

from acquire.readings import Capture, CaptureState, Role, SettledValue
from acquire.report.gather import Taken
from acquire.report.grid import grid
from acquire.report.markup import Markup, join, tag
from acquire.report.svg import curve_figure, duration
from acquire.report.view import View

__all__ = ["captures_of", "title_of"]

_STATES = {
    CaptureState.FINAL: "",
    CaptureState.PROVISIONAL: "still in the water when this was written",
    CaptureState.WITHDRAWN: "withdrawn",
    CaptureState.UNSETTLED: "not settled: no result",
}


def title_of(view: View, capture: Capture) -> str:
    """Say which capture it is: water, role, time."""
    name = capture.water or "a water without a name"  # already replaced where that was asked for
    role = f" ({capture.role})" if capture.role else ""
    return f"{name}{role}, {view.clock(capture.taken.at_ms)}"


def captures_of(view: View) -> Iterator[Markup]:
    """Give one article a capture, in order of time."""
    for taken in view.all.taken:
        yield _article(view, taken)


def _article(view: View, taken: Taken) -> Markup:
    capture = taken.capture
    odd = _STATES[capture.state]
    head = tag("h3", title_of(view, capture))
    if capture.role is Role.RINSE:  # nobody asks for the pH of a rinse
        return tag("article", head, tag("p", _rinsed(capture)), class_="capture")
    why = f". {capture.reason}." if capture.reason else "."
    return tag(
        "article",
        head,
        tag("p", tag("b", odd), why, class_="note") if odd else "",
        *_shown(view, taken),
        *(tag("p", text, class_="note") for text in taken.findings),
        class_="capture",
    )


def _rinsed(capture: Capture) -> str:
    stood_s = capture.taken.t_s - capture.started.t_s
    return f"A rinse of {duration(stood_s)}; its numbers are in the record and mean nothing here."


def _shown(view: View, taken: Taken) -> Iterator[Markup]:
    """Draw what the meter measures itself, and write the rest; without readings all is a table."""
    values, drawn = taken.capture.values, []
    for name, curve in taken.curves.items():
        quantity, channel = view.quantity(name), view.all.channels.get(name)
        if quantity is None or channel is None or channel.follows or not curve.buckets:
            continue
        value = values[name]
        shown = view.pair(name, value.value, value.expanded_u)
        if value.phase != "settled":
            shown = "not settled"
        picture = curve_figure(view.name_of_figure(), curve, quantity, shown=shown)
        drawn.append((name, tag("figure", picture)))
    if drawn:
        yield tag("div", *(picture for _, picture in drawn), class_="curves")
        yield from _besides(view, taken.capture, {name for name, _ in drawn})
        return
    if taken.curves:
        yield tag(
            "p",
            "The single readings of this capture are no longer kept (raw_days in the "
            "configuration), so its curves cannot be drawn again.",
            class_="note",
        )
    yield grid(
        f"Values of {title_of(view, taken.capture)}",
        ("Quantity", "Value ± 95 %", "At rest after"),
        _rows(view, taken.capture),
        numbers=(1, 2),
        look="values",
    )


def _besides(view: View, capture: Capture, drawn: set[str]) -> Iterator[Markup]:
    """The values that have no curve of their own, in a sentence for each way they came about."""
    ways: dict[str, list[str]] = {}
    for value in capture.values.values():
        if value.quantity not in drawn:
            ways.setdefault(_how(view, value), []).append(_said(view, value))
    for way, said in ways.items():
        text = f"{'; '.join(said)} ({way})." if way else f"{'; '.join(said)}."
        yield tag("p", text, class_="small")
    for value in capture.derived.values():
        yield tag("p", f"{_said(view, value)}, {_how(view, value)}.", class_="small")


def _said(view: View, value: SettledValue) -> str:
    if value.phase != "settled":
        return f"{view.label(value.quantity)} not settled"
    return (
        f"{view.label(value.quantity)} {view.pair(value.quantity, value.value, value.expanded_u)}"
    )


def _rows(view: View, capture: Capture) -> Iterator[tuple[Markup, ...]]:
    for value in (*capture.values.values(), *capture.derived.values()):
        is_result = value.phase == "settled"
        shown = view.pair(value.quantity, value.value, value.expanded_u) if is_result else "–"
        how = _how(view, value)
        yield (
            join(view.label(value.quantity), tag("span", how, class_="why") if how else ""),
            join(shown),
            join(_rest(value)),
        )


def _rest(value: SettledValue) -> str:
    if value.phase != "settled":
        return "not settled"
    if value.settled_after_s is None or value.source == "derived":
        return "–"
    return duration(value.settled_after_s)


def _how(view: View, value: SettledValue) -> str:
    """Where a value comes from; nothing for what the meter measured itself."""
    if value.source == "derived":
        return f"by ouzel: {view.redaction.text(value.method)}"
    if value.phase != "settled":
        return value.reason
    channel = view.all.channels.get(value.quantity)
    if value.source == "meter" and channel is not None and channel.follows:
        return f"computed by the meter from {view.label(channel.follows).lower()}"
    return {"typed": "typed from its display", "imported": "imported"}.get(value.source, "")
