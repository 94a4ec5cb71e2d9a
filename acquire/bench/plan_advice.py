"""What is odd about a plan, and a new plan from a few answers. Pure."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from acquire.bench.plan import Plan
from acquire.readings import Role
from acquire.rounds import Stop
from acquire.water.solutions import Solution

__all__ = ["Wishes", "advice", "is_strong", "plan_toml"]


@dataclass(frozen=True, slots=True)
class Wishes:
    """What a person wants of a new plan."""

    title: str
    reference: str
    subjects: tuple[str, ...]
    checks: tuple[str, ...]
    """Names of solutions; empty for none."""
    rinse: str
    repeats: int = 3
    is_counting: bool = False


def is_strong(stop: Stop) -> bool:
    """Whether a drop of what this stop leaves on the probe would show in a thin water."""
    return stop.kind == "check"


def advice(plan: Plan, solutions: Mapping[str, Solution]) -> list[str]:
    """Say what is odd about a plan, a sentence each; nothing of it forbids the round."""
    return [*_missing(plan.stops), *_order(plan.stops, solutions), *_waters(plan)]


def _missing(stops: Sequence[Stop]) -> Iterator[str]:
    roles = {stop.role for stop in stops}
    if Role.REFERENCE not in roles:
        yield (
            "no reference: without a water to compare with, the round says nothing of what differs"
        )
    if Role.SUBJECT not in roles:
        yield "no subject: there is no water to hold against the reference"
    if not any(stop.kind == "check" for stop in stops):
        yield "no check: nothing in this round shows that the meter is right"
    elif not any(stop.is_closing for stop in stops):
        yield "no closing check: nothing shows that the meter held until the end"
    elif not any(stop.kind == "check" and not stop.is_closing for stop in stops):
        yield "no opening check: a meter that is off is found only at the end"
    waters = [stop for stop in stops if stop.role in {Role.REFERENCE, Role.SUBJECT}]
    if waters and all(stop.repeats == 1 for stop in waters):
        yield (
            "no repeats: how far two immersions in the same water differ cannot be seen; 3 are good"
        )
    if waters:
        yield (
            "temperatures: let reference and subject stand side by side until they are within 2 °C"
        )


def _order(stops: Sequence[Stop], solutions: Mapping[str, Solution]) -> Iterator[str]:
    strong: Stop | None = None
    for number, stop in enumerate(stops, start=1):
        if stop.kind == "rinse":
            if number > 1 and stops[number - 2].kind == "rinse":
                yield f"stop {number}: a second rinse in a row: fresh water in one glass does it"
            strong = None
        elif stop.kind != "count":
            if strong is not None and (stop.kind == "water" or stop.solution != strong.solution):
                acid = "vinegar" in strong.solution
                yield (
                    f"stop {number}: no rinse after {strong.water}: "
                    + ("its acid and smell stay on the probe" if acid else "drops of it carry over")
                )
            strong = stop if is_strong(stop) else None
        if stop.kind == "rinse" and stop.least_s < 5:
            yield f"stop {number}: a rinse of {stop.least_s:g} s is short; 20 s in moving water do"
    for solution in dict.fromkeys(stop.solution for stop in stops if stop.solution):
        for caution in solutions[solution].cautions:
            yield f"{solutions[solution].label}: {caution}"


def _waters(plan: Plan) -> Iterator[str]:
    roles: dict[str, set[Role | None]] = {}
    for stop in plan.stops:
        if stop.kind == "water":
            roles.setdefault(stop.water, set()).add(stop.role)
    for water, its in roles.items():
        if len(its) > 1:
            yield f"{water} is both reference and subject: they will be compared with themselves"
    counted = {stop.water for stop in plan.stops if stop.kind == "count"}
    for water in sorted(counted - set(roles)):
        yield f"particles of {water} are counted, but it is measured nowhere in this plan"


def plan_toml(wishes: Wishes) -> str:
    """Write a plan as TOML: checks, reference, subjects, closing check, with rinses between."""
    lines = [f"title = {_text(wishes.title)}", ""]

    def stop(key: str, water: str, *more: str) -> None:
        lines.extend(["[[stop]]", f"{key} = {_text(water)}", *more, ""])

    def rinse() -> None:
        stop("rinse", wishes.rinse, "seconds = 20")

    repeats = (f"repeats = {wishes.repeats}",) if wishes.repeats > 1 else ()
    for solution in wishes.checks:
        stop("check", solution)
        rinse()
    stop("reference", wishes.reference, *repeats)
    for subject in wishes.subjects:
        rinse()
        stop("subject", subject, *repeats)
    if wishes.checks:
        rinse()
        stop("check", wishes.checks[-1])
    if wishes.is_counting:
        for water in (wishes.reference, *wishes.subjects):
            stop("count", water)
    return "\n".join(lines)


def _text(text: str) -> str:
    """Write a TOML basic string: JSON's escapes are TOML's too, once DEL is escaped."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
