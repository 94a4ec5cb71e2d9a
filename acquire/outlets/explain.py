"""Shows why a capture was taken when it was: each quantity's trace, its band, the terms."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping

from acquire.bench.budgets import budgets
from acquire.bench.standing import Explanation
from acquire.outlets.budget import budget_table
from acquire.outlets.cells import wrap
from acquire.outlets.trace import draw
from acquire.outlets.words import capture_title, is_typed, shown_with_u, tidy
from acquire.quantities import Quantity, Tolerance
from acquire.readings import Capture, CaptureState, Reading

__all__ = ["explain_lines"]


_SAID_ABOVE = {"tolerance", "u noise", "u resolution", "u remaining"}


def explain_lines(
    capture: Capture,
    explanation: Explanation | None,
    readings: Iterable[Reading],
    quantities: Mapping[str, Quantity],
    tolerance: Callable[[str], Tolerance],
    *,
    width: int = 78,
) -> Iterator[str]:
    """Give the lines: the capture, then a picture and the terms for each quantity it holds.

    `readings` are those of the immersion; later ones may be among them.
    """
    yield from wrap(capture_title(capture), width, then="    ")
    mine = [r for r in readings if r.stamp.mono_ns >= capture.started.mono_ns]
    begin_s = capture.started.t_s
    made_of = budgets(capture, explanation) if explanation else {}
    moments = []
    if capture.state is not CaptureState.UNSETTLED:
        moments.append(capture.taken.t_s - begin_s)
    for name, value in capture.values.items():
        quantity = quantities[name]
        half = tolerance(name).at(value.value)
        yield ""
        head = f"{quantity.label}: {shown_with_u(quantity, value.value, value.expanded_u)}"
        if value.phase != "settled":
            head = f"{quantity.label}: not settled: {tidy(value.reason, 200)}"
        yield from wrap(f"{head}; tolerance ±{half:.3g}", width, then="    ")
        points = [
            (r.stamp.t_s - begin_s, r.values[name])
            for r in mine
            if name in r.values and name not in r.flags
        ]
        if not is_typed(capture):  # one number is no curve
            yield from draw(
                points,
                low=value.value - half,
                high=value.value + half,
                moments=moments,
                digits=quantity.digits + 1,
                width=width,
            )
        if name in made_of:
            yield from budget_table(made_of[name], quantity)
        else:
            budget = ", ".join(f"{term} {u:.2g}" for term, u in value.budget.items())
            yield f"    standard uncertainties: {budget}"
        for term, text in explanation.terms.get(name, ()) if explanation else ():
            if term not in _SAID_ABOVE:
                yield f"    {term}: {tidy(text, width - 8 - len(term))}"
