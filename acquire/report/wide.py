"""Tables with a column a quantity, as people read them: the summary, and readings side by side."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from acquire.report.columns import Column
from acquire.report.tables import Row, Source, Table
from acquire.store.export import Value

__all__ = ["readings_table", "summary_table"]

Measured = tuple[str, str]
"""Quantity and the UCUM unit it was kept in."""


def _measured(source: Source) -> list[Measured]:
    """Every quantity in every unit it was kept in, in the order of the table of quantities."""
    kept = dict.fromkeys((one.quantity, one.unit) for one in source.records.series())
    order = list(source.quantities)
    last = len(order)
    return sorted(kept, key=lambda pair: order.index(pair[0]) if pair[0] in order else last)


def _column(source: Source, measured: Measured, name: str, more: str) -> Column:
    quantity, unit = measured
    known = source.quantities.get(quantity)
    label = quantity if known is None else known.label
    shown = "" if unit in {"1", "[pH]"} else unit
    return Column(name, "number", f"{label}{more}", shown)


def readings_table(source: Source) -> Table:
    """One row a reading: time, meter, a column a quantity, and the flags in words."""
    measured = _measured(source)
    columns = (
        Column("time", "time", "when, UTC"),
        Column("meter", "text", "name of the meter"),
        *(_column(source, one, one[0], ", as the display showed it") for one in measured),
        Column("flags", "text", "numbers that are not to be trusted, and why"),
    )

    def rows() -> Iterator[Row]:
        said = source.records.readings_in_units(since_ms=source.since_ms, until_ms=source.until_ms)
        for reading, units in said:
            shown = source.redaction.meter(reading.meter)
            values = [
                reading.values.get(quantity) if units.get(quantity) == unit else None
                for quantity, unit in measured
            ]
            flags = "; ".join(f"{name}: {flag}" for name, flag in reading.flags.items())
            yield (reading.stamp.at_ms, shown, *values, flags)

    return Table("readings", "Readings, a row a reading", columns, rows, ("time", "meter"))


def summary_table(source: Source) -> Table:
    """One row a capture that is a result, newest first: what each quantity came to, with its ±.

    What did not settle is left empty: a moving number is no result.
    """
    measured = _measured(source)
    of_round = {v.capture_id: r.id for r in source.rounds for v in r.visits if v.capture_id}
    columns = (
        Column("taken", "time", "when the numbers had come to rest, UTC"),
        Column("water", "text", "what the water is called"),
        Column("role", "text", "reference, subject, rinse or solution"),
        Column("round", "text", "the round it belongs to; empty when none"),
        *_pairs(source, measured),
        Column("meter", "text", "name of the meter"),
        Column("capture", "text", "names the capture in the other sheets"),
    )

    def rows() -> Iterator[Row]:
        kept = source.records.captures_in_units(since_ms=source.since_ms, until_ms=source.until_ms)
        for capture, units in kept:
            if capture.state != "final":
                continue
            shown = source.redaction.capture(capture)
            pairs: list[Value] = []
            for quantity, unit in measured:
                value = capture.values.get(quantity)
                if value is None or value.phase != "settled" or units.get(quantity) != unit:
                    pairs += [None, None]
                else:
                    pairs += [value.value, value.expanded_u]
            role = "" if capture.role is None else capture.role.value
            mine = of_round.get(capture.id, "")
            head = (capture.taken.at_ms, shown.water, role, mine)
            yield (*head, *pairs, shown.meter, capture.id)

    return Table("summary", "Final captures, a row each", columns, rows, ("capture",))


def _pairs(source: Source, measured: Sequence[Measured]) -> Iterator[Column]:
    for one in measured:
        yield _column(source, one, one[0], ", where it came to rest")
        yield _column(source, one, f"± {one[0]}", ", 95 % expanded uncertainty")
