"""From a table to captures: every row taken, or named with its line and the reason. Pure.

An imported capture is final and each of its values says `imported`. Nobody knows whether it had
come to rest; its uncertainty is what the last written digit is worth (step / sqrt(12), GUM
F.2.2.1). Its id is made from the content of the row, so that the same row is the same capture.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from acquire.importing.cells import Decimal, Order, decimal_of, decimals_in, is_blank
from acquire.importing.cells import moment as moment_of
from acquire.importing.cells import number as number_of
from acquire.importing.columns import Column, Header
from acquire.importing.orders import asked_of, order_of
from acquire.importing.sheets import Cell, Sheet
from acquire.quantities import Quantity
from acquire.readings import Capture, CaptureState, Role, SettledValue, Stamp
from acquire.stats.budget import resolution_u

__all__ = ["Bad", "Import", "Taking", "plan_import", "questions"]

_SLACK_MS = 12 * 3_600_000
METHOD = "imported: only the last written digit is known of its uncertainty"


@dataclass(frozen=True, slots=True)
class Taking:
    """What a person may say of the table as a whole."""

    water: str = ""
    """Name of the water, where the table has none."""
    meter: str = "imported"
    decimal: Decimal | None = None
    order: Order | None = None


@dataclass(frozen=True, slots=True)
class Bad:
    """A row that is not taken."""

    line: int
    why: str


@dataclass(frozen=True, slots=True)
class Import:
    """What would be taken."""

    captures: tuple[tuple[int, Capture], ...]
    """Line number and capture, in the order of the table."""
    bad: tuple[Bad, ...]
    doubles: tuple[tuple[int, int], ...]
    """Lines that say the same as an earlier one, and that one: one capture."""
    without_time: int
    """Rows that give a day only: noon is put down."""


def questions(sheet: Sheet, header: Header, taking: Taking) -> list[str]:
    """Give what only the person knows, each with the option that answers it; empty when clear."""
    columns = [column for column in header.columns if column.what]
    asked = [
        f'{column.question}. Say --column "{column.header}={column.what}:UNIT", '
        f'or --column "{column.header}=-" to leave it out'
        for column in columns
        if column.question
    ]
    kinds = [column.what for column in columns]
    asked += [
        f"two columns are {kind}: leave one out with --column HEADER=-"
        for kind in dict.fromkeys(kinds)
        if kinds.count(kind) > 1
    ]
    if "date" not in kinds:
        asked.append('which column is the date? Say --column "HEADER=date"')
    if "water" not in kinds and not taking.water:
        asked.append("which water is it? Say --water NAME, or --column HEADER=water")
    if (taking.decimal or _decimal(sheet, header)) == "unclear":
        asked.append(
            "is 1,234 (or 1.234) one and a bit, or a thousand? Say --decimal comma or point"
        )
    if taking.order is None and (doubt := asked_of(_dates(sheet, header))):
        asked.append(doubt)
    return asked


def plan_import(
    sheet: Sheet,
    header: Header,
    taking: Taking,
    quantities: Mapping[str, Quantity],
    *,
    now_ms: int,
) -> Import:
    """Make captures of all rows below the header; `questions` must be empty.

    A row of a day to come (after `now_ms`, UTC) is not taken: what is written there is mistaken.
    """
    decimal = taking.decimal or _decimal(sheet, header)
    order = taking.order or _order(sheet, header)
    rows = _Rows(header, taking, quantities, decimal, order, _steps(sheet, header, decimal))
    taken: dict[str, tuple[int, Capture]] = {}
    bad, doubles, without_time = [], [], 0
    for line, row in _below(sheet, header):
        try:
            capture, has_time = rows.capture(row, f"{sheet.name}, line {line}")
            _require_past(capture, now_ms)
        except ValueError as error:
            bad.append(Bad(line, str(error)))
            continue
        if capture.id in taken:
            doubles.append((line, taken[capture.id][0]))
            continue
        taken[capture.id] = line, capture
        without_time += not has_time
    return Import(tuple(taken.values()), tuple(bad), tuple(doubles), without_time)


def _below(sheet: Sheet, header: Header) -> list[tuple[int, tuple[Cell, ...]]]:
    return [(line, row) for line, row in sheet.rows if line > header.line]


def _cells(sheet: Sheet, header: Header, columns: Sequence[Column]) -> list[Cell]:
    places = [column.place for column in columns]
    return [row[p] for _, row in _below(sheet, header) for p in places if p < len(row)]


def _measured(header: Header) -> list[Column]:
    return [column for column in header.columns if column.convert is not None]


def _decimal(sheet: Sheet, header: Header) -> Decimal:
    columns = [c for c in header.columns if c.convert is not None or c.question]
    return decimal_of(_cells(sheet, header, columns))


def _order(sheet: Sheet, header: Header) -> Order:
    return order_of(cell for _, cell in _dates(sheet, header))


def _dates(sheet: Sheet, header: Header) -> list[tuple[int, Cell]]:
    places = [column.place for column in header.columns if column.what == "date"]
    return [(line, row[p]) for line, row in _below(sheet, header) for p in places if p < len(row)]


def _require_past(capture: Capture, now_ms: int) -> None:
    """A day without a time stands at noon, which may be to come; so may a clock ahead of ours."""
    if capture.taken.at_ms > now_ms + _SLACK_MS:
        day = datetime.fromtimestamp(capture.taken.at_ms / 1000).date()  # noqa: DTZ006 - local
        raise ValueError(f"{day} is still to come: is the date right, and its order?")


def _steps(sheet: Sheet, header: Header, decimal: Decimal) -> dict[int, float]:
    """By column what its last digit is worth, as written: most decimals of any cell."""
    found = {}
    for column in _measured(header):
        cells = _cells(sheet, header, [column])
        found[column.place] = 10.0 ** -max((decimals_in(c, decimal) for c in cells), default=0)
    return found


@dataclass(frozen=True, slots=True)
class _Rows:
    header: Header
    taking: Taking
    quantities: Mapping[str, Quantity]
    decimal: Decimal
    order: Order
    steps: Mapping[int, float]

    def capture(self, row: tuple[Cell, ...], where: str) -> tuple[Capture, bool]:
        """Give the capture of a row and whether its time of day is known; ValueError why not."""
        at = {
            column.what: row[column.place]
            for column in self.header.columns
            if column.what and column.convert is None and column.place < len(row)
        }
        if is_blank(at.get("date")):
            raise ValueError("no date")
        said, has_time = moment_of(at["date"], at.get("time"), self.order)
        water = self.taking.water or _plain(at.get("water"))
        if not water:
            raise ValueError("no water")
        values = self._values(row)
        if not values:
            raise ValueError("no number in it")
        try:
            at_ms = round(said.timestamp() * 1000)
        except (OverflowError, OSError, ValueError):
            at_ms = 0
        if not 0 < at_ms < 4_102_444_800_000:
            raise ValueError(f"{said:%Y-%m-%d} is no day of 1970 to 2099")
        note = _plain(at.get("note"))[:400]
        reason = f"imported from {where}" + (f": {note}" if note else "")
        stamp = Stamp(at_ms, 0)
        return (
            Capture(
                _id(said, water, values),
                self.taking.meter,
                CaptureState.FINAL,
                stamp,
                stamp,
                values,
                water,
                _role(at.get("role")),
                reason,
            ),
            has_time,
        )

    def _values(self, row: tuple[Cell, ...]) -> dict[str, SettledValue]:
        found = {}
        for column in _measured(self.header):
            if column.place >= len(row) or is_blank(row[column.place]):
                continue
            quantity, convert = self.quantities[column.what], column.convert
            assert convert is not None  # noqa: S101 - `_measured` leaves others out
            try:
                value = convert(number_of(row[column.place], self.decimal))
            except ValueError as error:
                raise ValueError(f"{column.header}: {error}") from None
            if not quantity.is_plausible(value):
                raise ValueError(
                    f"{column.header}: {value:g} {quantity.shown_unit}".rstrip()
                    + f" is outside {quantity.low:g} to {quantity.high:g}"
                )
            u = resolution_u(abs(convert.factor) * self.steps[column.place])
            found[quantity.name] = SettledValue(
                quantity.name,
                # What a conversion adds behind the last digit is no information.
                float(f"{value:.10g}"),
                2.0 * u,
                "settled",
                math.nan,
                None,
                source="imported",
                method=METHOD,
                budget={"resolution": u},
            )
        return found


def _plain(cell: Cell) -> str:
    """Give a name or a note without what nobody sees: two names that look alike are one."""
    text = "" if cell is None else str(cell)
    return " ".join("".join(c for c in text if c.isprintable() or c.isspace()).split())


def _role(cell: Cell) -> Role | None:
    text = str(cell or "").strip().casefold()
    return Role(text) if text in {Role.REFERENCE, Role.SUBJECT} else None


def _id(said: datetime, water: str, values: Mapping[str, SettledValue]) -> str:
    """The same row is the same capture: by its own words, not by where this computer stands."""
    content = [said.isoformat(), water, sorted((n, f"{v.value:.10g}") for n, v in values.items())]
    digest = hashlib.sha256(json.dumps(content, ensure_ascii=True).encode()).hexdigest()
    return f"imported-{digest[:16]}"
