"""Numbers and captures as people read them, in plain text."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

from acquire.outlets.cells import cut, padded, wrap
from acquire.quantities import Quantity
from acquire.readings import Capture, CaptureState, Event, SettledValue
from acquire.water.cautions import SAFETY

__all__ = ["CAUTION", "capture_lines", "capture_title", "clock_time", "event_line", "plain"]
__all__ += ["finding_lines", "is_typed", "listed", "shown", "shown_as_deserved", "shown_with_u"]
__all__ += ["tidy"]

CAUTION = textwrap.fill(SAFETY, 79)


def tidy(text: str, most: int = 80) -> str:
    """Make what people typed safe on a terminal: one line, no control or direction characters.

    `most` are columns: a wide character takes two.
    """
    clean = "".join(c for c in (" " if c.isspace() else c for c in text) if c.isprintable())
    return cut(clean, most)


def plain(quantity: str) -> str:
    """A quantity's name in a sentence."""
    return quantity.replace("_", " ")


def clock_time(at_ms: int) -> str:
    """Local time of day."""
    return f"{datetime.fromtimestamp(at_ms / 1000):%H:%M:%S}"  # noqa: DTZ006  (local on purpose)


def shown(quantity: Quantity, value: float) -> str:
    """A value with its unit."""
    return f"{quantity.show(value)} {quantity.shown_unit}".rstrip()


def shown_with_u(quantity: Quantity, value: float, expanded_u: float) -> str:
    """A value and its 95 % uncertainty, with as many decimals as the uncertainty deserves.

    Two significant digits of the uncertainty, with at least the decimals the quantity is usually
    shown with and at most one more: a mean may say more than the display, but not much more.
    """
    digits = quantity.digits
    if 0 < expanded_u < math.inf:
        digits = max(digits, min(digits + 1, 1 - math.floor(math.log10(expanded_u))))
    text = f"{quantity.show(value, digits=digits)} ± {quantity.show(expanded_u, digits=digits)}"
    return f"{text} {quantity.shown_unit}".rstrip()


def shown_as_deserved(quantity: Quantity, value: float, expanded_u: float) -> str:
    """`shown_with_u`; a large number without decimals its uncertainty does not deserve."""
    if expanded_u >= 10:
        text = f"{quantity.show(value, digits=0)} ± {quantity.show(expanded_u, digits=0)}"
        return f"{text} {quantity.shown_unit}".rstrip()
    return shown_with_u(quantity, value, expanded_u)


def listed(names: Sequence[str]) -> str:
    """Names in a sentence: a, b and c."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def is_typed(capture: Capture) -> bool:
    """Whether a person read the numbers off a display."""
    return any(value.source == "typed" for value in capture.values.values())


def capture_title(capture: Capture) -> str:
    """One line: when, which water, how it stands."""
    water = tidy(capture.water) or "water"
    role = f" ({capture.role})" if capture.role else ""
    after = f"settled after {capture.taken.t_s - capture.started.t_s:.0f} s"
    if is_typed(capture):
        after = "typed by hand"
    if any(value.source == "imported" for value in capture.values.values()):
        after = "imported"
    title = f"{clock_time(capture.taken.at_ms)}  {water}{role}: "
    match capture.state:
        case CaptureState.PROVISIONAL:
            return f"{title}{after}"
        case CaptureState.FINAL:
            why = f" ({tidy(capture.reason, 200)})" if capture.reason else ""
            return f"{title}final, {after}{why}"
        case CaptureState.WITHDRAWN:
            return f"{title}WITHDRAWN, leave the probe in: {tidy(capture.reason, 400)}"
        case CaptureState.UNSETTLED:  # pragma: no branch  (the last there is)
            return f"{title}NOT SETTLED: {tidy(capture.reason, 400)}"


def capture_lines(capture: Capture, quantities: Mapping[str, Quantity]) -> Iterable[str]:
    """The whole capture, a line a quantity."""
    yield capture_title(capture)
    for value in capture.values.values():
        yield "  " + _value_line(quantities[value.quantity], value)
    for value in capture.derived.values():
        yield "  " + _value_line(quantities[value.quantity], value)
        yield f"      {tidy(value.method, 200)}"


def _value_line(quantity: Quantity, value: SettledValue) -> str:
    label = padded(quantity.label, 17)
    text = f"{label} {shown_with_u(quantity, value.value, value.expanded_u):<22}"
    if value.source == "derived":
        return f"{text} derived"
    if value.phase == "settled":
        from_elsewhere = value.source in {"typed", "imported"}
        return f"{text} {value.source}" if from_elsewhere else text.rstrip()
    return f"{label} {shown(quantity, value.value):<22} not settled"


def finding_lines(event: Event, width: int = 78) -> Iterable[str]:
    """A finding as it stands under its capture: what, then the arithmetic, wrapped."""
    mark = "!" if event.data.get("kind") == "disagrees" else "-"
    text = tidy(event.text, 500)
    yield from wrap(text, width, f"  {mark} ", then="    ")


def event_line(event: Event) -> str:
    """One line."""
    who = f"{event.meter}: " if event.meter else ""
    return f"{clock_time(event.stamp.at_ms)}  {who}{plain(event.kind)}: {tidy(event.text, 300)}"
