"""Two waters side by side: what differs, and what stands beside that. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean

from acquire.bench.beside import Class, Derived, Place, classes_of, derived_of, places_of
from acquire.bench.differing import Asked, Row, Scatter, pooled, row_of, scatter_of
from acquire.bench.findings import agreement
from acquire.bench.flagged import grave
from acquire.bench.meter_state import DAY_MS, SESSION_MS
from acquire.bench.sides import Channels, in_use, measured
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
LARGEST_C = 2.0
"""Waters further apart in temperature than this are compared with a word about it."""


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
        flags: By capture id what was odd about it: what rests on a grave one cannot be told, the
            others are among the notes.
        failing: By meter and quantity why its checks speak against it.
        scatter: By quantity how repeats scattered earlier, from `scatter_of`.

    """
    here = (reference,) if isinstance(reference, Capture) else tuple(reference)
    there = (subject,) if isinstance(subject, Capture) else tuple(subject)
    if not here or not there:
        raise ConfigError("a comparison needs a capture of either water")
    known = tuple(corrections)
    sources, notes = _sources(here, there)
    notes += _temperature_note(here, there)
    notes += _mild(here + there, flags or {})
    names = dict.fromkeys(
        name
        for one in (*here, *there)
        for name in (*one.values, *one.derived)
        if name in quantities
    )
    rows = []
    for name in names:
        unit = quantities[name].unit
        first, second = (
            measured(name, some, channels, known, sources=sources, unit=unit)
            for some in (here, there)
        )
        worth = (matters or {}).get(name)
        if worth is None:
            near = first or second
            worth = TOLERANCES * quantities[name].tolerance.at(near.value if near else 0.0)
        against = _against(name, here, there, flags or {}, failing or {})
        now = scatter_of(name, [m.values for m in (first, second) if m], quantities)
        scattered = pooled([one for one in (now, (scatter or {}).get(name)) if one is not None])
        asked = Asked(quantities[name], worth, against, scattered)
        rows.append(row_of(asked, first, second))
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


def _against(
    quantity: str,
    here: Sequence[Capture],
    there: Sequence[Capture],
    flags: Mapping[str, Sequence[str]],
    failing: Mapping[tuple[str, str], str],
) -> str:
    """Say what speaks against a verdict on this quantity; empty when nothing does."""
    said = []
    for one in (*here, *there):
        value = in_use(one, quantity)
        if value is None:
            continue
        if value.phase != "settled":
            said.append(f"not settled in capture {one.id}")
        said += [failing[one.meter, quantity]] if (one.meter, quantity) in failing else []
        said += grave(flags.get(one.id, ()), quantity)
    return "; ".join(dict.fromkeys(said))


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


def _temperature_note(here: Sequence[Capture], there: Sequence[Capture]) -> list[str]:
    means = []
    for some in (here, there):
        found = [v.value for one in some if (v := in_use(one, "temperature")) is not None]
        means.append(fmean(found) if found else math.nan)
    apart = abs(means[0] - means[1])
    if not apart > LARGEST_C:
        return []
    why = (
        f"The waters were {apart:.1f} °C apart: pH, ORP and conductivity change with temperature "
        "by themselves. Let both stand in one room and measure again."
    )
    return [why]
