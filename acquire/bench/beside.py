"""What stands beside a comparison: published limits, classes, derived quantities. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from acquire.bench.sides import IMPORTED, Channels, Measured, in_use
from acquire.errors import WaterError
from acquire.readings import Capture
from acquire.stats.conformity import Conformity, conformity
from acquire.water.limits import Classes, Limit, built_in_limits
from acquire.water.redox import eh_of

if TYPE_CHECKING:
    from acquire.bench.differing import Row

__all__ = ["Class", "Derived", "Place", "Side", "classes_of", "derived_of", "places_of"]

Side = Literal["reference", "subject"]


@dataclass(frozen=True, slots=True)
class Place:
    """Where a value stands to a published limit, its whole uncertainty as guard band."""

    side: str
    water: str
    quantity: str
    limit: Limit
    """At the temperature the meter compensates to."""
    found: Conformity


@dataclass(frozen=True, slots=True)
class Class:
    """The published class of a value; more than one label: it cannot be told."""

    side: str
    water: str
    quantity: str
    classes: Classes
    labels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Derived:
    """Something computed from the values, with how; an interval where there is one."""

    side: str
    """`reference`, `subject` or `both`."""
    name: str
    value: float
    low: float | None
    high: float | None
    """95 % interval."""
    unit: str
    method: str


def places_of(
    rows: Sequence[Row], captures: Sequence[Capture], side: str, channels: Channels
) -> Iterator[Place]:
    """Hold one water against every published limit that is meant for any drinking water."""
    for row, said in _of(rows, side):
        whole = said.whole
        for limit in built_in_limits().limits.values():
            if limit.quantity != row.quantity or limit.unit != row.unit or limit.applies_to:
                continue
            try:
                here = limit.at_reference(_reference_c(captures[-1], row.quantity, channels))
            except WaterError:
                continue  # nobody knows what temperature the conductivity is stated at
            bounds = {"lower": here.lower, "upper": here.upper}
            found = conformity(said.value, whole.expanded(), **bounds, k=whole.k())
            if said.is_imported:
                found = replace(found, place="cannot tell", reason=IMPORTED)
            elif row.is_withheld:
                found = replace(found, place="cannot tell", reason=row.why)
            yield Place(side, captures[-1].water, row.quantity, here, found)


def classes_of(rows: Sequence[Row], captures: Sequence[Capture], side: str) -> Iterator[Class]:
    """Give the published classes of one water."""
    for row, said in _of(rows, side):
        if said.is_imported or row.is_withheld:
            continue  # nobody knows how far to trust the number, so nobody knows its class
        for classes in built_in_limits().classes.values():
            if classes.quantity == row.quantity and not classes.applies_to and said.value >= 0:
                labels = classes.labels(said.value, said.whole.expanded())
                yield Class(side, captures[-1].water, row.quantity, classes, labels)


def derived_of(
    rows: Sequence[Row],
    reference: Sequence[Capture],
    subject: Sequence[Capture],
    channels: Channels,
) -> tuple[Derived, ...]:
    """Give what follows from the values: corrected, at 25 °C, Eh, and how much was removed."""
    found: list[Derived] = []
    for side, captures in (("reference", reference), ("subject", subject)):
        for row, said in _of(rows, side):
            if said.method:
                u = said.whole.expanded()
                low, high = said.value - u, said.value + u
                one = Derived(side, row.quantity, said.value, low, high, row.unit, said.method)
                found.append(one)
        found += _eh(captures[-1], side, channels)
    for row in rows:
        ratio = row.ratio
        if ratio is None or not ratio.bounded or row.quantity not in {"conductivity", "tds"}:
            continue
        if row.verdict != "yes":
            continue  # what speaks against the difference speaks against its ratio too
        for side, fraction, low, high in (
            ("reference to subject", ratio.value, ratio.low, ratio.high),
            (
                "subject to reference",
                _inverse(ratio.value),
                _inverse(ratio.high),
                _inverse(ratio.low),
            ),
        ):
            if high < 1.0:  # only from the stronger to the weaker water
                method = f"100 (1 - ratio) by {row.quantity.replace('_', ' ')}, {side}"
                # No water holds less than nothing: the interval ends at 100 %.
                of_each = (100 * (1 - max(part, 0.0)) for part in (fraction, high, low))
                value, least, most = of_each
                found.append(Derived("both", "rejection", value, least, most, "%", method))
    return tuple(found)


def _inverse(number: float) -> float:
    return 1.0 / number if number > 0 else math.inf


def _eh(capture: Capture, side: str, channels: Channels) -> Iterator[Derived]:
    channel = channels.get(capture.meter, {}).get("orp")
    orp, temperature = in_use(capture, "orp"), in_use(capture, "temperature")
    if channel is None or channel.reference_electrode is None or orp is None or temperature is None:
        return
    if orp.phase != "settled" or temperature.phase != "settled":
        return
    try:
        found = eh_of(orp.value, channel.reference_electrode, temperature.value)
    except WaterError:
        return  # outside the electrode's table: the reading itself still stands
    electrode = f"{channel.reference_electrode} at {temperature.value:.1f} °C"
    yield Derived(side, "eh", found.value, None, None, "mV", f"{found.method} ({electrode})")


def _of(rows: Sequence[Row], side: str) -> Iterator[tuple[Row, Measured]]:
    for row in rows:
        said = row.reference if side == "reference" else row.subject
        if said is not None:
            yield row, said


def _reference_c(capture: Capture, quantity: str, channels: Channels) -> float | None:
    derived = capture.derived.get(quantity)
    if derived is not None and "at 25 °C" in derived.method:
        return 25.0
    channel = channels.get(capture.meter, {}).get(quantity)
    return None if channel is None else channel.reference_c
