"""What an import would take, as people read it, in 80 columns."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from acquire.importing.captures import Import
from acquire.importing.columns import Header
from acquire.importing.sheets import Sheet
from acquire.outlets.cells import padded
from acquire.outlets.check_words import date_text
from acquire.outlets.comparison_words import wrapped
from acquire.outlets.words import clock_time, shown, tidy
from acquire.quantities import Quantity

__all__ = ["import_lines"]

_SHOWN, _NAMED = 4, 40


def import_lines(
    sheet: Sheet, header: Header, found: Import, known: int, quantities: Mapping[str, Quantity]
) -> Iterator[str]:
    """Give the columns, the first and last rows, what is not taken with line and reason."""
    yield f"{tidy(sheet.name)}: headers in line {header.line}"
    for note in sheet.notes:
        yield from wrapped(tidy(note, 300), "  ")
    for column in header.columns:
        if not column.header and not column.what:
            continue
        what = "left out"
        if column.what in quantities:
            quantity = quantities[column.what]
            unit = column.unit if column.unit not in {"1", "[pH]"} else ""
            what = f"{quantity.label}, in {unit}" if unit else quantity.label
        elif column.what:
            what = column.what
        yield f"  {padded(tidy(column.header, 34), 34)} {what}"
    yield ""
    total = len(found.captures)
    rows = (
        found.captures
        if total <= 2 * _SHOWN
        else (*found.captures[:_SHOWN], *found.captures[-_SHOWN:])
    )
    for number, (line, one) in enumerate(rows):
        if total > 2 * _SHOWN and number == _SHOWN:
            yield f"  … {total - 2 * _SHOWN} more"
        values = ", ".join(shown(quantities[v.quantity], v.value) for v in one.values.values())
        when = f"{date_text(one.taken.at_ms)} {clock_time(one.taken.at_ms)[:5]}"
        text = f"line {line}: {when} {tidy(one.water, 24)}: {values}"
        yield from wrapped(text, "  ", then="      ")
    yield ""
    yield f"{total - known} new, {known} already kept, {_rows(len(found.bad))} not taken"
    if found.without_time:
        gives = "gives" if found.without_time == 1 else "give"
        yield f"{_rows(found.without_time)} {gives} a day only, put down at noon."
    for line, first in found.doubles[:_NAMED]:
        yield f"  line {line} says the same as line {first}: one capture"
    for bad in found.bad[:_NAMED]:
        yield from wrapped(f"line {bad.line}: {tidy(bad.why, 200)}", "  ! ", then="    ")
    if len(found.bad) > _NAMED:
        yield f"  … and {len(found.bad) - _NAMED} more: `--json` names all"
    if found.bad:
        yield from wrapped(
            "The file stays as it is. Mend those rows and import again: only they are added."
        )


def _rows(number: int) -> str:
    return "1 row" if number == 1 else f"{number} rows"
