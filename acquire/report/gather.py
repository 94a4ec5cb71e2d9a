"""Collects what a report of a round is made of, from the store alone; writes nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

from acquire.bench.budgets import budgets
from acquire.bench.chosen import compare_stored
from acquire.bench.comparison import Comparison
from acquire.bench.findings import FINDING
from acquire.bench.history import WaterHistory, history
from acquire.bench.meter_state import DAY_MS
from acquire.bench.particles import CountComparison, CountResult, compare_counts, particle_result
from acquire.bench.standing import Explanation, Settles
from acquire.checks import Check, StandingCorrection, in_force
from acquire.errors import ConfigError, WaterError
from acquire.quantities import Quantity, Tolerance
from acquire.readings import Capture, Channel, Role
from acquire.report.curves import Curve, curves_of, window_ms
from acquire.report.redact import OPEN, Redaction
from acquire.rounds import ParticleCount, Round
from acquire.stats.budget import Budget
from acquire.store.records import Records

__all__ = ["MOST_VISITS", "Bench", "Gathered", "Taken", "gather"]

MOST_VISITS = 300
"""The latest visits to a water that a report looks back on: years of weekly ones."""


@dataclass(frozen=True, slots=True)
class Bench:
    """How captures are taken: what of the configuration a report needs."""

    quantities: Mapping[str, Quantity]
    make_settler: Callable[[Channel], Settles]
    tolerance: Callable[[str], Tolerance]


@dataclass(frozen=True, slots=True)
class Taken:
    """One capture of the round with all that explains it."""

    capture: Capture
    curves: Mapping[str, Curve]
    """Without readings in them where none are kept any more."""
    budgets: Mapping[str, Budget]
    findings: tuple[str, ...]
    checks: tuple[Check, ...]


@dataclass(frozen=True, slots=True)
class Gathered:
    """Everything, names replaced where that was asked for."""

    round: Round
    taken: tuple[Taken, ...]
    """In order of time, those set aside among them."""
    comparisons: tuple[Comparison, ...]
    """Each subject against each reference. Texts in them still hold the names of waters."""
    histories: tuple[WaterHistory, ...]
    """Of each water of the plan, whatever became of it here; texts hold real names too."""
    counts: tuple[CountResult, ...]
    count_comparisons: tuple[CountComparison, ...]
    channels: Mapping[str, Channel]
    corrections: tuple[StandingCorrection, ...]
    """Of those in force, the ones these captures were corrected by."""
    identity: str
    """Profile and serial number of the meter; nothing when places are hidden."""


def gather(
    records: Records,
    visit: Round,
    bench: Bench,
    *,
    redaction: Redaction = OPEN,
    heard: Callable[[str], None] = lambda _text: None,
) -> Gathered:
    """Collect it; `heard` is told what is being worked on, capture by capture."""
    channels = records.channels(visit.meter)
    shown = {name: one for name, one in channels.items() if name in bench.quantities}
    corrections = records.corrections(meter=visit.meter)
    captures = sorted(records.visited(visit), key=lambda capture: capture.started.at_ms)
    used: dict[tuple[str, int], StandingCorrection] = {}
    taken = []
    for number, capture in enumerate(captures, 1):
        heard(f"capture {number} of {len(captures)}")
        mine = _in_force_then(corrections, capture)
        used.update({(one.quantity, one.from_ms): one for one in mine.values()})
        begin_ms, end_ms = window_ms(capture)
        readings = records.readings(since_ms=begin_ms, until_ms=end_ms, meter=capture.meter)
        explanation = Explanation(capture.meter, capture.id, {}, shown, mine)
        curves: Mapping[str, Curve] = {}
        if not _is_by_hand(capture):
            curves = curves_of(capture, readings, shown, bench.make_settler, bench.tolerance)
        taken.append(
            Taken(
                redaction.capture(capture),
                curves,
                budgets(capture, explanation),
                tuple(redaction.text(text) for text in _findings(records, capture)),
                tuple(redaction.check(c) for c in records.checks(capture_id=capture.id)),
            )
        )
    heard("comparing")
    rounds = records.rounds()
    counts = [redaction.count(count) for count in records.counts(round_id=visit.id)]
    return Gathered(
        redaction.round(visit),
        tuple(taken),
        _comparisons(records, visit, bench.quantities, rounds),
        tuple(_histories(records, visit, bench.quantities, rounds)),
        tuple(result for count in counts if (result := _result(count)) is not None),
        tuple(_count_comparisons(counts)),
        channels,
        tuple(replace(one, meter=redaction.meter(one.meter)) for one in used.values()),
        "" if redaction.hides_places else _identity(records, visit.meter),
    )


def _comparisons(
    records: Records,
    visit: Round,
    quantities: Mapping[str, Quantity],
    rounds: Sequence[Round],
) -> tuple[Comparison, ...]:
    try:
        return tuple(compare_stored(records, visit.id, quantities=quantities, rounds=rounds))
    except ConfigError:  # it holds no reference and subject: the rest still tells something
        return ()


def _histories(
    records: Records,
    visit: Round,
    quantities: Mapping[str, Quantity],
    rounds: Sequence[Round],
) -> Iterator[WaterHistory]:
    names = dict.fromkeys(stop.water for stop in visit.stops if stop.kind == "water")
    for name in names:
        with suppress(ConfigError, WaterError):  # never captured for good: it has none
            yield history(records, name, quantities=quantities, latest=MOST_VISITS, rounds=rounds)


def _result(count: ParticleCount) -> CountResult | None:
    try:
        return particle_result(count)
    except WaterError:
        return None


def _count_comparisons(counts: Sequence[ParticleCount]) -> Iterator[CountComparison]:
    """Hold the last count of each subject against the last of the reference."""
    last = {(count.role, count.water): count for count in counts}
    references = [count for (role, _), count in last.items() if role is Role.REFERENCE]
    for (role, _), count in last.items():
        if role is Role.SUBJECT and references:
            with suppress(WaterError):
                yield compare_counts(references[-1], count)


def _in_force_then(
    corrections: Sequence[StandingCorrection], capture: Capture
) -> dict[str, StandingCorrection]:
    """Those that held when the capture was taken, whatever has become of them since."""
    at_ms = capture.taken.at_ms
    then = [
        replace(one, undone_ms=None)
        for one in corrections
        if one.from_ms <= at_ms and (one.undone_ms is None or one.undone_ms > at_ms)
    ]
    return in_force(then)


def _findings(records: Records, capture: Capture) -> list[str]:
    """What was found about this capture; it is told when the probe has left."""
    begin, end = capture.started.at_ms, capture.taken.at_ms + DAY_MS + 1
    told = records.events(kind=FINDING, meter=capture.meter, since_ms=begin, until_ms=end)
    return [event.text for event in told if event.data.get("capture") == capture.id]


def _is_by_hand(capture: Capture) -> bool:
    return any(value.source in {"typed", "imported"} for value in capture.values.values())


def _identity(records: Records, meter: str) -> str:
    for series in records.series():
        if series.meter == meter and series.is_current:
            return ", ".join(text for text in (series.profile, series.identity) if text)
    return ""
