"""Two waters side by side: what differs, and what stands beside that. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean

from acquire.bench.beside import Class, Derived, Place, classes_of, derived_of, places_of
from acquire.bench.differing import Asked, Row, Scatter, pooled, row_of, scatter_of
from acquire.bench.findings import agreement
from acquire.bench.flagged import grave
from acquire.bench.meter_state import DAY_MS, SESSION_MS
from acquire.bench.sides import Channels, Measured, in_use, measured
from acquire.bench.sound import Sound, sound_of
from acquire.bench.warmth import LARGEST_C, warmth_makes
from acquire.checks import StandingCorrection
from acquire.errors import ConfigError
from acquire.quantities import BUILT_IN, Quantity
from acquire.readings import Capture
from acquire.water.consistency import Finding

__all__ = [
    "LARGEST_C",
    "TOLERANCES",
    "Comparison",
    "Row",
    "Scatter",
    "compare",
    "scatter_of",
]

TOLERANCES = 5.0
"""What matters, where nobody says: so many settling tolerances (pH 0.1, 25 mV, 5 %): our choice."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """A reference and a subject, quantity by quantity, and what stands beside them."""

    reference_water: str
    subject_water: str
    reference: tuple[Capture, ...]
    subject: tuple[Capture, ...]
    rows: tuple[Row, ...]
    places: tuple[Place, ...]
    """Against published limits, both waters."""
    classes: tuple[Class, ...]
    findings: tuple[tuple[str, Finding], ...]
    """Id of the capture, and whether its numbers agree with each other."""
    derived: tuple[Derived, ...]
    notes: tuple[str, ...]
    """What to know before reading it: temperatures apart, two meters, months between."""


def compare(
    reference: Capture | Sequence[Capture],
    subject: Capture | Sequence[Capture],
    channels: Channels,
    corrections: Iterable[StandingCorrection] = (),
    *,
    quantities: Mapping[str, Quantity] = BUILT_IN,
    matters: Mapping[str, float] | None = None,
    flags: Mapping[str, Sequence[str]] | None = None,
    failing: Mapping[tuple[str, str], str] | None = None,
    scatter: Mapping[str, Scatter] | None = None,
) -> Comparison:
    """Compare subject with reference; several captures of one of them are its repeats.

    Args:
        reference: Final captures of the first water, at least one.
        subject: Final captures of the second.
        channels: By meter and quantity, what the meters measure.
        corrections: Every correction ever in force, so that a shared one cancels.
        quantities: The table of quantities.
        matters: By quantity, the difference that matters, in its unit.
        flags: By capture id what was odd about it: a capture in doubt does not count where a
            repeat of its water does, and what rests on doubted ones alone cannot be told. All
            other flags are among the notes.
        failing: By meter and quantity why its checks speak against it.
        scatter: By quantity how repeats scattered earlier, from `scatter_of`.

    """
    here = (reference,) if isinstance(reference, Capture) else tuple(reference)
    there = (subject,) if isinstance(subject, Capture) else tuple(subject)
    if not here or not there:
        raise ConfigError("a comparison needs a capture of either water")
    known = tuple(corrections)
    sources, notes = _sources(here, there)
    apart_c = _apart_c(*(sound_of("temperature", some, flags or {}) for some in (here, there)))
    notes += _temperature_note(apart_c)
    notes += _mild(here + there, flags or {})
    names = dict.fromkeys(
        name
        for one in (*here, *there)
        for name in (*one.values, *one.derived)
        if name in quantities
    )
    rows: list[Row] = []
    left_out: dict[tuple[str, str], list[str]] = {}
    for name in names:
        quantity = quantities[name]
        chosen = [sound_of(name, some, flags or {}) for some in (here, there)]
        first, second = (
            measured(name, one.captures, channels, known, sources=sources, unit=quantity.unit)
            for one in chosen
        )
        for one in chosen:
            for odd in one.left_out:
                left_out.setdefault(odd, []).append(quantity.label)
        worth = (matters or {}).get(name)
        if worth is None:
            near = first or second
            worth = TOLERANCES * quantity.tolerance.at(near.value if near else 0.0)
        now = scatter_of(name, [m.values for m in (first, second) if m], quantities)
        scattered = pooled([one for one in (now, (scatter or {}).get(name)) if one is not None])
        asked = Asked(
            quantity,
            worth,
            _against(name, chosen, failing or {}),
            scattered,
            apart_c,
            _warmth(name, first, second, apart_c, channels),
        )
        rows.append(row_of(asked, first, second))
    notes += _left_out(left_out, here + there)
    if len(rows) > 1 and any(row.verdict == "yes" for row in rows):
        notes.append(
            f"Each row errs in about 1 of 20 comparisons of equal waters; there are {len(rows)}."
        )
    waters = ((here, "reference"), (there, "subject"))
    return Comparison(
        here[-1].water,
        there[-1].water,
        here,
        there,
        tuple(rows),
        tuple(p for some, side in waters for p in places_of(rows, some, side, channels)),
        tuple(c for some, side in waters for c in classes_of(rows, some, side)),
        tuple(
            (one.id, finding)
            for one in (*here, *there)
            for finding in agreement(one, channels.get(one.meter, {}))
        ),
        derived_of(rows, here, there, channels),
        tuple(notes),
    )


def _against(quantity: str, chosen: Sequence[Sound], failing: Mapping[tuple[str, str], str]) -> str:
    """Say what speaks against a verdict on this quantity; empty when nothing does."""
    said: list[str] = []
    for side in chosen:
        keys = [(one.meter, quantity) for one in side.captures]
        said += [failing[key] for key in keys if key in failing]
        said += side.against
    return "; ".join(dict.fromkeys(said))


def _left_out(
    found: Mapping[tuple[str, str], Sequence[str]], captures: Sequence[Capture]
) -> Iterator[str]:
    """Name the repeats that do not count, for which quantities where others of them do."""
    sizes = {one.id: len({*one.values, *one.derived}) for one in captures}
    for (name, why), labels in found.items():
        of_what = "" if len(labels) >= sizes[name] else f" for {', '.join(labels)}"
        yield f"Capture {name} does not count{of_what}, its repeats do: {why}."


def _warmth(
    name: str, first: Measured | None, second: Measured | None, apart_c: float, channels: Channels
) -> float:
    sides = [one for one in (first, second) if one is not None]
    mine = [found[name] for found in channels.values() if name in found]
    is_compensated = any(c.reference_c is not None or c.follows for c in mine) or all(
        "25 °C" in one.method for one in sides
    )
    size = max((abs(one.value) for one in sides), default=0.0)
    return warmth_makes(name, size, apart_c, is_compensated=is_compensated)


def _sources(here: Sequence[Capture], there: Sequence[Capture]) -> tuple[dict[str, str], list[str]]:
    """Name by capture what its meter's errors are shared under: the meter, in one session."""
    times = [one.taken.at_ms for one in (*here, *there)]
    notes = []
    if len({one.meter for one in (*here, *there)}) > 1:
        notes.append("Two meters: what each is off does not cancel in the difference.")
    apart = max(times) - min(times) > SESSION_MS
    if apart:
        days = (max(times) - min(times)) / DAY_MS
        notes.append(
            f"Taken {days:.0f} days apart: the meter may have drifted, so that its accuracy counts "
            "in full on both sides. The checks of both days tell more: `ouzel meter`."
        )
    sides = [(one, "reference") for one in here] + [(one, "subject") for one in there]
    return {c.id: f"{c.meter} ({side})" if apart else c.meter for c, side in sides}, notes


def _mild(captures: Sequence[Capture], flags: Mapping[str, Sequence[str]]) -> list[str]:
    """Give what was odd and speaks against nothing, each with the captures it was said of."""
    said: dict[str, list[str]] = {}
    for one in captures:
        mine = flags.get(one.id, ())
        against = grave(mine)
        for flag in mine:
            if flag not in against:
                said.setdefault(flag, []).append(one.id)
    return [f"Capture {', '.join(ids)}: {flag}." for flag, ids in said.items()]


def _apart_c(here: Sound, there: Sound) -> float:
    """How far apart the waters were in temperature, °C; nan where nobody knows."""
    means = []
    for side in (here, there):
        found = [v.value for c in side.captures if (v := in_use(c, "temperature")) is not None]
        means.append(fmean(found) if found else math.nan)
    return abs(means[0] - means[1])


def _temperature_note(apart_c: float) -> list[str]:
    if not apart_c > LARGEST_C:
        return []
    why = (
        f"The waters were {apart_c:.1f} °C apart: pH, ORP and conductivity change with temperature "
        "by themselves. Let both stand in one room and measure again."
    )
    return [why]
