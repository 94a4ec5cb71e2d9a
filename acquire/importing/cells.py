"""Numbers and dates as people write them: decimal commas, thousands, three orders of a date."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from datetime import date, datetime, time
from typing import Literal

from acquire.importing.sheets import Cell

__all__ = [
    "PARTS",
    "Decimal",
    "Order",
    "decimal_of",
    "decimals_in",
    "is_blank",
    "moment",
    "number",
    "split_clock",
]

Decimal = Literal["point", "comma", "unclear"]
Order = Literal["dmy", "mdy", "ymd", "unclear"]

_BLANK = {"", "-", "–", "—", "n/a", "na", "none", "nan", "null", "?", "n.d.", "nd"}
_NUMBER = re.compile(r"[+-]?[\d.,'\u2019\s]*\d[.,]?(?:[eE][+-]?\d{1,2})?")
# Thousands stand in threes: 12,5 is no 125 where the point is the decimal sign.
_WRITTEN = {
    "point": re.compile(r"[+-]?(?:\d+|\d{1,3}(?:[,'\u2019\s]\d{3})+)?(?:\.\d*)?(?:[eE][+-]?\d+)?"),
    "comma": re.compile(r"[+-]?(?:\d+|\d{1,3}(?:[.'\u2019\s]\d{3})+)?(?:,\d*)?(?:[eE][+-]?\d+)?"),
}
_LARGEST = 10**15
_THOUSANDS = r"[+-]?[1-9]\d{0,2}"
PARTS = re.compile(r"^(\d{1,4})\s*[./-]\s*(\d{1,2})\s*[./-]\s*(\d{1,4})\.?$")
_MONTHS = {
    name: n
    for n, names in enumerate(
        ("jan january", "feb february", "mar march", "apr april", "may may", "jun june",
         "jul july", "aug august", "sep september sept", "oct october", "nov november",
         "dec december"), start=1)
    for name in names.split()
}  # fmt: skip
_CLOCK = re.compile(
    r"^(.*?)[\sT,]*\b(\d{1,2})[:h](\d{2})(?::(\d{2})(?:\.\d+)?)?\s*([ap]\.?m\.?)?$", re.IGNORECASE
)
_NOON = time(12, 0)


def is_blank(cell: Cell) -> bool:
    return cell is None or (isinstance(cell, str) and cell.strip().casefold() in _BLANK)


def decimal_of(cells: Iterable[Cell]) -> Decimal:
    """Say which sign stands before the decimals of these cells, all of one table.

    `1,234` and `1.234` may be either; any cell written otherwise tells. Without a sign it is the
    point. Cells that contradict each other are left to `number`, which refuses the odd ones.
    """
    unclear = False
    for cell in cells:
        text = str(cell).strip() if isinstance(cell, str) else ""
        if not ("," in text or "." in text) or not _NUMBER.fullmatch(text):
            continue
        comma, point = text.rfind(","), text.rfind(".")
        if comma >= 0 and point >= 0:
            return "point" if point > comma else "comma"
        sign = "," if comma >= 0 else "."
        if not re.fullmatch(rf"{_THOUSANDS}(?:\{sign}\d{{3}})+", text):
            return "comma" if sign == "," else "point"
        if text.count(sign) > 1:  # 1,234,567: it stands between thousands
            return "point" if sign == "," else "comma"
        unclear = True
    return "unclear" if unclear else "point"


def number(cell: Cell, decimal: Decimal) -> float:
    """Read a number; ValueError says why it is none."""
    if isinstance(cell, int) and not isinstance(cell, bool):
        if abs(cell) > _LARGEST:
            raise ValueError("a number of more than 15 digits")
        return float(cell)
    if isinstance(cell, float) and math.isfinite(cell):
        return cell
    text = str(cell).strip().replace("−", "-").replace("\xa0", " ")
    if not _NUMBER.fullmatch(text):
        raise ValueError(f"{text[:40]!r} is no number")
    if not _WRITTEN["comma" if decimal == "comma" else "point"].fullmatch(text):
        raise ValueError(f"{text[:40]!r} is no number where the decimal sign is the {decimal}")
    text = re.sub(r"[\s'\u2019]", "", text)
    text = text.replace(".", "").replace(",", ".") if decimal == "comma" else text.replace(",", "")
    try:
        value = float(text)
    except ValueError:
        raise ValueError(f"{str(cell)[:40]!r} is no number") from None
    if not math.isfinite(value):
        raise ValueError(f"{str(cell)[:40]!r} is no number")
    return value


def decimals_in(cell: Cell, decimal: Decimal) -> int:
    """How many decimals were written, 0 to 6; what a workbook computed has none beyond that."""
    if isinstance(cell, str):
        _, sign, tail = cell.strip().rpartition("," if decimal == "comma" else ".")
        return min(6, len(tail)) if sign and tail.isdecimal() else 0
    if isinstance(cell, float):
        _, _, tail = f"{cell:.6f}".rstrip("0").partition(".")
        return len(tail)
    return 0


def moment(day: Cell, hour: Cell, order: Order) -> tuple[datetime, bool]:
    """Give the moment, and whether the time of day is known (else noon); ValueError why not.

    Without an offset it is local time and has none.
    """
    if isinstance(day, datetime):
        return (day, True) if day.time() != time(0, 0) else _at(day, hour)
    if isinstance(day, date):
        return _at(datetime.combine(day, time(0, 0)), hour)
    text = " ".join(str(day).split())
    try:
        whole = datetime.fromisoformat(text)
    except ValueError:
        pass
    else:
        if len(text) > 10:
            return whole, True
        return _at(whole, hour)
    rest, clock = split_clock(text)
    start = datetime.combine(_day(rest, order), time(0, 0))
    return (datetime.combine(start, clock), True) if clock is not None else _at(start, hour)


def _at(day: datetime, hour: Cell) -> tuple[datetime, bool]:
    if is_blank(hour):
        return datetime.combine(day, _NOON), False
    if isinstance(hour, datetime):
        return datetime.combine(day, hour.time()), True
    if isinstance(hour, time):
        return datetime.combine(day, hour), True
    rest, clock = split_clock(str(hour).strip())
    if clock is None or rest:
        raise ValueError(f"{str(hour)[:40]!r} is no time of day")
    return datetime.combine(day, clock), True


def split_clock(text: str) -> tuple[str, time | None]:
    """Take the time of day off a date; None where there is none."""
    found = _CLOCK.match(text)
    if found is None:
        return text, None
    rest, hours, minutes, seconds, half = found.groups()
    hour = int(hours)
    if half:
        hour = hour % 12 + (12 if half.casefold().startswith("p") else 0)
    return rest.strip(), time(hour, int(minutes), int(seconds or 0))


def _day(text: str, order: Order) -> date:
    words = text.replace(",", " ").replace(".", " ").split()
    named = [word for word in words if word.casefold() in _MONTHS]
    if named:
        digits = [word.rstrip("stndrh") for word in words if word not in named]
        numbers = [int(word) for word in digits if word.isdecimal() and len(word) < 5]
        if len(numbers) != 2 or len(digits) != 2 or len(named) != 1:
            raise ValueError(f"{text[:40]!r} is no date")
        numbers.sort(key=lambda n: n > 31)
        return date(_year(numbers[1]), _MONTHS[named[0].casefold()], numbers[0])
    parts = PARTS.match(text)
    if parts is None:
        raise ValueError(f"{text[:40]!r} is no date")
    first, second, third = (int(part) for part in parts.groups())
    if len(parts.group(1)) == 4:
        return date(first, second, third)
    if order == "unclear" and "." not in text:
        raise ValueError(f"{text[:40]!r}: day or month first?")
    day, month = (second, first) if order == "mdy" and "." not in text else (first, second)
    return date(_year(third), month, day)


def _year(number: int) -> int:
    """Two digits: 69 to 99 are of the last century, as POSIX strptime has it."""
    if number >= 100:
        return number
    return number + (1900 if number >= 69 else 2000)
