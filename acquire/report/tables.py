"""Which tables a record is made of, and their rows: what workbook and package are written from."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from acquire.bench.particles import particle_result
from acquire.errors import WaterError
from acquire.quantities import Quantity
from acquire.report.columns import (
    CAPTURES,
    CHECKS,
    COUNTS,
    QUANTITIES,
    READINGS,
    ROUNDS,
    VISITS,
    WATERS,
    Column,
)
from acquire.report.redact import Redaction
from acquire.rounds import SHAPES, ParticleCount, Round
from acquire.store.export import Value, capture_values, reading_values
from acquire.store.records import Records

__all__ = ["Row", "Source", "Table", "tables_of"]

Row = Sequence[Value]


@dataclass(frozen=True, slots=True)
class Table:
    """One table; `rows` may be called once at a time and reads as it goes."""

    name: str
    title: str
    columns: tuple[Column, ...]
    rows: Callable[[], Iterator[Row]]
    key: tuple[str, ...] = ()
    """Columns that name a row."""

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns)


@dataclass(frozen=True, slots=True)
class Source:
    """A store and what of it is wanted."""

    records: Records
    redaction: Redaction
    quantities: Mapping[str, Quantity]
    rounds: Sequence[Round] = ()
    counts: Sequence[ParticleCount] = ()
    since_ms: int = 0
    until_ms: int | None = None

    def holds(self, at_ms: int) -> bool:
        return self.since_ms <= at_ms and (self.until_ms is None or at_ms < self.until_ms)


def tables_of(source: Source) -> dict[str, Table]:
    """Give every table by name, in the order a reader wants them."""
    redaction, records = source.redaction, source.records
    since_ms, until_ms = source.since_ms, source.until_ms

    def captures() -> Iterator[Row]:
        kept = records.captures_in_units(since_ms=since_ms, until_ms=until_ms)
        return capture_values((redaction.capture(one), units) for one, units in kept)

    def readings() -> Iterator[Row]:
        kept = records.readings_in_units(since_ms=since_ms, until_ms=until_ms)
        return reading_values((redaction.reading(one), units) for one, units in kept)

    tables = (
        Table("captures", "Captures, a row a value", CAPTURES, captures),
        Table("readings", "Readings, a row a value", READINGS, readings),
        Table("checks", "Checks of meters", CHECKS, lambda: _checks(source)),
        Table("counts", "Particle counts", COUNTS, lambda: _counts(source), ("id",)),
        Table("waters", "Waters", WATERS, lambda: _waters(source), ("water",)),
        Table("rounds", "Rounds", ROUNDS, lambda: _rounds(source), ("id",)),
        Table("visits", "Stops of the rounds", VISITS, lambda: _visits(source)),
        Table("quantities", "Quantities", QUANTITIES, lambda: _quantities(source), ("quantity",)),
    )
    return {table.name: table for table in tables}


def _checks(source: Source) -> Iterator[Row]:
    for check in source.records.checks():
        if not source.holds(check.at_ms):
            continue
        shown = source.redaction.check(check)
        known = source.quantities.get(check.quantity)
        yield (
            shown.capture_id, shown.at_ms, shown.meter, shown.quantity, shown.solution,
            shown.said, shown.said_u, shown.expected, shown.expected_u, shown.allowed,
            "" if known is None else known.unit, shown.verdict, shown.temp_c, shown.corrected,
            shown.reason, shown.source,
        )  # fmt: skip


def _counts(source: Source) -> Iterator[Row]:
    for kept in source.counts:
        if not source.holds(kept.at_ms):
            continue
        count = source.redaction.count(kept)
        sizes = (
            count.field_mm, count.field_mm_u, count.drop_ul, count.drop_ul_u, count.slip_mm2,
            count.slip_mm2_u,
        )  # fmt: skip
        yield (
            count.id,
            count.at_ms,
            count.water,
            "" if count.role is None else count.role.value,
            count.round_id,
            len(count.fields),
            sum(count.fields),
            " ".join(str(number) for number in count.fields),
            *(count.shapes.get(shape, 0) if count.shapes else None for shape in SHAPES),
            *_computed(kept),
            count.bubbles,
            *(size or None for size in sizes),
            count.optics,
            count.note,
        )


def _computed(count: ParticleCount) -> Row:
    """What a count says; nothing of one that cannot be."""
    try:
        found = particle_result(count)
    except WaterError:
        return (None,) * 6
    field = (found.per_field, found.per_field_low, found.per_field_high)
    return (*field, found.per_ml, found.per_ml_low, found.per_ml_high)


def _waters(source: Source) -> Iterator[Row]:
    """By name; a name without any final capture is there too, with none."""
    found: dict[str, tuple[int, int, int, frozenset[str]]] = {}
    for capture in source.records.captures(since_ms=source.since_ms, until_ms=source.until_ms):
        name, at_ms = source.redaction.water(capture.water), capture.taken.at_ms
        if not name:
            continue
        finals, first_ms, last_ms, roles = found.get(name, (0, at_ms, at_ms, frozenset()))
        mine = frozenset() if capture.role is None else {capture.role.value}
        found[name] = (
            finals + (capture.state == "final"),
            min(first_ms, at_ms),
            max(last_ms, at_ms),
            roles | mine,
        )
    for name in sorted(found):
        finals, first_ms, last_ms, roles = found[name]
        yield name, finals, first_ms, last_ms, ", ".join(sorted(roles))


def _wanted(source: Source) -> Iterable[Round]:
    return (source.redaction.round(r) for r in source.rounds if source.holds(r.began_ms))


def _rounds(source: Source) -> Iterator[Row]:
    for one in _wanted(source):
        yield one.id, one.began_ms, one.ended_ms, one.state, one.plan, one.meter, one.note


def _visits(source: Source) -> Iterator[Row]:
    for one in _wanted(source):
        for visit in one.visits:
            stop = one.stops[visit.position] if visit.position < len(one.stops) else None
            yield (
                one.id,
                visit.position,
                "" if stop is None else stop.kind,
                "" if stop is None else stop.water,
                "" if stop is None or stop.role is None else stop.role.value,
                visit.repeat,
                visit.state,
                visit.at_ms,
                visit.capture_id,
                visit.count_id,
                "; ".join(visit.flags),
                visit.note,
            )


def _quantities(source: Source) -> Iterator[Row]:
    units = {one.quantity: one.unit for one in source.records.series()}
    for name in dict.fromkeys((*source.quantities, *units)):
        known = source.quantities.get(name)
        if known is None:  # read under a configuration that is gone
            yield name, name, units[name], "", None, None
            continue
        tolerance = known.tolerance
        absolute, relative = tolerance.absolute or None, tolerance.relative or None
        yield name, known.label, known.unit, known.shown_unit, absolute, relative
