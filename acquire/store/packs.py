"""Readings as the store holds them: many to a row, so that a flash card is written little.

Each commit makes a pack of its readings for each meter (tail.py), every five minutes those become
one (packer.py). A pack never reaches beyond its window (ten minutes, UTC), and its key begins with
its first instant, so a span of time is a span of keys.

Values stand as whole numbers over a power of ten: 7.01 as 701 over 1e2. The quotient of two whole
numbers that a double holds is the double nearest to it (IEEE 754, division is correctly rounded),
so what comes out is what went in, to the last bit, here and in SQLite. What no such quotient
equals stands in `single_readings`, a value a row.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from typing import NamedTuple

from acquire.store.tail import COLUMNS, Execute, Row, tail_rows

__all__ = [
    "COLUMNS",
    "KEYS",
    "WINDOW_MS",
    "Pack",
    "Row",
    "Said",
    "Value",
    "Waiting",
    "begin_ms_of",
    "count_values",
    "delete_before",
    "insert_packs",
    "is_packed",
    "last_values",
    "newest_ms",
    "oldest_ms",
    "packed",
    "said_in",
    "said_in_tail",
    "values_between",
    "window_of",
    "windows",
]

WINDOW_MS = 600_000
KEYS = 1024
"""Keys to a millisecond: so many packs may begin in one."""
_LARGEST = 2**53
_DIGITS = 22
"""1e22 is the largest power of ten that a double holds exactly."""

Cursor = Iterable[tuple[object, ...]]
Waiting = Sequence[Row] | None
"""What is in the tail, of whoever knows: the writer. None where its file is to be read."""


class Value(NamedTuple):
    """One value; in the order of time, then of series."""

    at_ms: int
    series: int
    value: float | None
    flag: int
    clock: int


class Said(NamedTuple):
    """One reading: the series it speaks of, and of each the value and the flag's code."""

    at_ms: int
    clock: int
    series: tuple[int, ...]
    cells: tuple[tuple[float | None, int], ...]


class Pack(NamedTuple):
    first_ms: int
    clock: int
    series: str
    scales: str
    rows: str


def _scaled(value: float) -> tuple[int, int] | None:
    """Give (m, d) with value == m / 10**d exactly, or None where there is no such pair."""
    if not abs(value) < _LARGEST:  # nor is it a number at all
        return None
    for digits in range(5):
        m = round(value * 10**digits)
        if abs(m) < _LARGEST and m / 10**digits == value:
            return m, digits
    _, figures, exponent = Decimal(repr(value)).as_tuple()
    digits = -int(exponent)
    m = int("".join(map(str, figures))) * (-1 if value < 0 else 1)
    if 0 <= digits <= _DIGITS and abs(m) < _LARGEST and m / 10**digits == value:
        return m, digits
    return None


def packed(said: Sequence[Said]) -> tuple[list[Pack], list[Said]]:
    """Pack the readings of one window; gives also those that cannot be packed."""
    groups: dict[tuple[int, tuple[int, ...]], list[tuple[Said, list[tuple[int, int] | None]]]] = {}
    single: list[Said] = []
    for one in said:
        cells = [(0, 0) if value is None else _scaled(value) for value, _ in one.cells]
        if None in cells or any(v is None and not flag for v, flag in one.cells):
            single.append(one)
        else:
            groups.setdefault((one.clock, one.series), []).append((one, cells))
    packs = []
    for (clock, series), members in groups.items():
        members.sort(key=lambda member: member[0].at_ms)
        digits = [max(cells[k][1] for _, cells in members if cells[k]) for k in range(len(series))]  # type: ignore[index]
        rows: list[list[object]] = []
        first_ms = -1
        for one, cells in members:
            numbers = [m * 10 ** (d - its) for (m, its), d in zip(cells, digits, strict=True)]  # type: ignore[misc]
            if any(abs(number) >= _LARGEST for number in numbers):
                single.append(one)
                continue
            if first_ms < 0:
                first_ms = one.at_ms
            rows.append(
                [one.at_ms - first_ms]
                + [
                    number if not flag else [flag] if value is None else [flag, number]
                    for number, (value, flag) in zip(numbers, one.cells, strict=True)
                ]
            )
        if rows:
            scales = "[" + ",".join(f"1e{d}" for d in digits) + "]"
            packs.append(Pack(first_ms, clock, _json(series), scales, _json(rows)))
    return packs, single


def _json(value: object) -> str:
    return json.dumps(value, separators=(",", ":"))


def _unpacked(key: int, clock: int, series: str, scales: str, rows: str) -> Iterator[Said]:
    first_ms = key // KEYS
    keys = tuple(json.loads(series))
    powers = [int(float(scale)) for scale in json.loads(scales)]
    for since_ms, *numbers in json.loads(rows):
        cells = tuple(
            (number / power, 0)
            if not isinstance(number, list)
            else (number[1] / power if len(number) > 1 else None, number[0])
            for number, power in zip(numbers, powers, strict=True)
        )
        yield Said(first_ms + since_ms, clock, keys, cells)


def _rows(execute: Execute, begin_ms: int, end_ms: int, waiting: Waiting) -> Iterator[Row]:
    """Give the packs of the windows that touch a span."""
    keys = window_of(begin_ms) * KEYS, max(0, end_ms) * KEYS
    yield from execute(
        f"SELECT {COLUMNS} FROM packs WHERE key >= ? AND key < ?",  # noqa: S608 - constants
        keys,
    )
    yield from _in_tail(execute, waiting, *keys)


def _in_tail(
    execute: Execute, waiting: Waiting, begin_key: int = 0, end_key: int = 2**63 - 1
) -> Iterator[Row]:
    if waiting is None:
        return tail_rows(execute, begin_key, end_key)
    return (row for row in waiting if begin_key <= int(str(row[0])) < end_key)


def said_in(rows: Iterable[Row]) -> Iterator[Said]:
    """Give what packs hold; unordered."""
    for row in rows:
        yield from _unpacked(*row)  # type: ignore[arg-type]


def said_in_tail(execute: Execute, begin_ms: int, end_ms: int) -> Iterator[Said]:
    """Give what the tail holds from one instant to before another: no roll-up counts it yet."""
    keys = window_of(begin_ms) * KEYS, max(0, end_ms) * KEYS
    return (one for one in said_in(tail_rows(execute, *keys)) if begin_ms <= one.at_ms < end_ms)


def values_between(
    execute: Execute, begin_ms: int, end_ms: int, waiting: Waiting = None
) -> list[Value]:
    """Give every value from one instant to before another, in order. Meant for short spans."""
    found = [
        Value(one.at_ms, series, value, flag, one.clock)
        for one in said_in(_rows(execute, begin_ms, end_ms, waiting))
        if begin_ms <= one.at_ms < end_ms
        for series, (value, flag) in zip(one.series, one.cells, strict=True)
    ]
    found += [
        Value(*row)  # type: ignore[arg-type]
        for row in execute(
            "SELECT at_ms, series, value, flag, clock FROM single_readings "
            "WHERE at_ms >= ? AND at_ms < ?",
            (begin_ms, end_ms),
        )
    ]
    found.sort(key=lambda one: one[:2])
    return found


def last_values(execute: Execute, series: Iterable[int], since_ms: int) -> list[Value]:
    """Give the last value of each of those series that has one from `since_ms` on."""
    found: dict[int, Value] = {}
    wanted = set(series)
    since_key = window_of(since_ms) * KEYS
    heads = list(execute("SELECT key, series FROM packs WHERE key >= ?", (since_key,)))
    heads += [(key, told) for key, _, told, *_ in tail_rows(execute, since_key)]
    seen = -1
    for key, told in sorted(heads, reverse=True):
        at_ms = int(key) // KEYS  # type: ignore[call-overload]
        window = window_of(at_ms)
        if not wanted:
            break
        if window != seen and wanted.intersection(json.loads(str(told))):
            seen = window
            for one in values_between(execute, max(since_ms, window), window + WINDOW_MS):
                if one.series in wanted:
                    found[one.series] = one
            wanted -= set(found)
    for key in series:
        for row in execute(
            "SELECT at_ms, series, value, flag, clock FROM single_readings "
            "WHERE at_ms >= ? AND series = ? ORDER BY at_ms DESC LIMIT 1",
            (found[key].at_ms + 1 if key in found else since_ms, key),
        ):
            found[key] = Value(*row)  # type: ignore[arg-type]
    return [found[key] for key in series if key in found]


def windows(
    execute: Execute, begin_ms: int, end_ms: int, waiting: Waiting = None
) -> Iterator[tuple[int, int]]:
    """Give the windows of a span that hold anything, cut to it, as (begin, end).

    Each is looked for only when it is asked for: a reader holds nothing open between two.
    """
    at_ms = begin_ms
    while at_ms < end_ms:
        found = oldest_ms(execute, at_ms, waiting)
        if found is None or found >= end_ms:
            return
        begin = max(at_ms, window_of(found))
        at_ms = min(end_ms, window_of(found) + WINDOW_MS)
        yield begin, at_ms


def oldest_ms(execute: Execute, since_ms: int = 0, waiting: Waiting = None) -> int | None:
    """Give an instant at or before the first value of the window of `since_ms` or a later one."""
    begin = window_of(since_ms)
    # The tail first: what moves among the packs meanwhile is met twice, not missed.
    first = [begin_ms_of(row) for row in _in_tail(execute, waiting, begin * KEYS)]
    found = _only(
        execute(
            "SELECT min(at_ms) FROM (SELECT min(key) / ? AS at_ms FROM packs WHERE key >= ? "
            "UNION ALL SELECT min(at_ms) FROM single_readings WHERE at_ms >= ?)",
            (KEYS, begin * KEYS, begin),
        )
    )
    return min([*first, *(() if found is None else (found,))], default=None)


def begin_ms_of(row: Row) -> int:
    """Give the instant at which the pack of a row begins."""
    return int(str(row[0])) // KEYS


def is_packed(execute: Execute) -> bool:
    """Tell whether the store is of a version that has packs."""
    return bool(_only(execute("SELECT count(*) FROM sqlite_schema WHERE name = 'packs'")))


def newest_ms(execute: Execute, waiting: Waiting = None) -> int | None:
    """Give the instant of the last value there is."""
    if not is_packed(execute):
        return _only(execute("SELECT max(at_ms) FROM readings"))
    in_tail = max((one.at_ms for one in said_in(_in_tail(execute, waiting))), default=None)
    last = _only(execute("SELECT max(key) FROM packs"))
    lasting = None
    if last is not None:
        begin = last // KEYS
        lasting = _only(
            execute(
                # Readings stand in the order of time: the last of a pack is its newest.
                "SELECT max(key / ? + json_extract(rows, '$[#-1][0]')) FROM packs WHERE key >= ?",
                (KEYS, window_of(begin) * KEYS),
            )
        )
    single = _only(execute("SELECT max(at_ms) FROM single_readings"))
    return max((one for one in (lasting, single, in_tail) if one is not None), default=None)


def count_values(execute: Execute) -> int:
    """Count the values of the whole store."""
    lasting = _only(
        execute("SELECT sum(json_array_length(series) * json_array_length(rows)) FROM packs")
    )
    waiting = sum(len(one.cells) for one in said_in(tail_rows(execute)))
    return (lasting or 0) + waiting + (_only(execute("SELECT count(*) FROM single_readings")) or 0)


def delete_before(execute: Execute, cut_ms: int, *, packs: int, singles: int) -> None:
    """Delete some of what is older, the oldest first: so many packs, so many single values."""
    for table, column, cut, most in (
        ("packs", "key", window_of(cut_ms) * KEYS, packs),
        ("single_readings", "at_ms", cut_ms, singles),
    ):
        oldest = _only(execute(f"SELECT min({column}) FROM {table}"))  # noqa: S608 - constants
        if oldest is None or oldest >= cut:
            continue
        beyond = _only(
            execute(
                f"SELECT {column} FROM {table} WHERE {column} < ? "  # noqa: S608 - constants
                f"ORDER BY {column} LIMIT 1 OFFSET ?",
                (cut, most),
            )
        )
        end = cut if beyond is None else max(beyond, oldest + 1)
        execute(f"DELETE FROM {table} WHERE {column} < ?", (end,))  # noqa: S608 - constants


def window_of(at_ms: int) -> int:
    """Give the begin of the window of an instant."""
    return at_ms - at_ms % WINDOW_MS


def insert_packs(execute: Execute, packs: Iterable[Pack]) -> None:
    """Put packs among the lasting ones, each with a key of its own."""
    for pack in packs:
        first = pack.first_ms * KEYS
        last = _only(
            execute("SELECT max(key) FROM packs WHERE key >= ? AND key < ?", (first, first + KEYS))
        )
        key = first if last is None else last + 1
        if key == first + KEYS:
            raise OverflowError("more than a thousand packs begin in one millisecond")
        execute(
            f"INSERT INTO packs ({COLUMNS}) VALUES (?, ?, ?, ?, ?)",  # noqa: S608 - constants
            (key, *pack[1:]),
        )


def _only(rows: Cursor) -> int | None:
    for (value,) in rows:
        return None if value is None else int(value)  # type: ignore[call-overload]
    return None
