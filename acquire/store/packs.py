"""Readings as the store holds them: many to a row, so that a flash card is written little.

Each commit makes one row of its readings for each meter (fresh.py); when ten minutes are over,
`Packer` makes one row of `packs` of all of theirs. A pack never reaches beyond its window (ten
minutes, UTC), and its key begins with its first instant, so a span of time is a span of keys.

Values stand as whole numbers over a power of ten: 7.01 as 701 over 1e2. The quotient of two whole
numbers that a double holds is the double nearest to it (IEEE 754, division is correctly rounded),
so what comes out is what went in, to the last bit, here and in SQLite. What no such quotient
equals stands in `single_readings`, a value a row.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from decimal import Decimal
from typing import NamedTuple

from acquire.store.fresh import COLUMNS, Row, Slots, fresh_rows

__all__ = [
    "WINDOW_MS",
    "Packer",
    "Said",
    "Value",
    "count_values",
    "delete_before",
    "is_packed",
    "last_values",
    "newest_ms",
    "oldest_ms",
    "values_between",
    "windows",
]

WINDOW_MS = 600_000
_STEP = 1024
"""Keys to a millisecond: so many packs may begin in one."""
_LARGEST = 2**53
_DIGITS = 22
"""1e22 is the largest power of ten that a double holds exactly."""
_QUIET_COMMITS = 3
"""A window that got nothing for so many commits is made one pack a meter."""
_LOOK_BACK = 12
"""Windows looked at after a start for what was not put together yet."""

Execute = Callable[..., "Cursor"]
Cursor = Iterable[tuple[object, ...]]


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


class _Pack(NamedTuple):
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


def _packed(said: Sequence[Said]) -> tuple[list[_Pack], list[Said]]:
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
            packs.append(_Pack(first_ms, clock, _json(series), scales, _json(rows)))
    return packs, single


def _json(value: object) -> str:
    return json.dumps(value, separators=(",", ":"))


def _unpacked(key: int, clock: int, series: str, scales: str, rows: str) -> Iterator[Said]:
    first_ms = key // _STEP
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


def _rows(execute: Execute, begin_ms: int, end_ms: int) -> Iterator[Row]:
    """Give the packs of the windows that touch a span."""
    keys = (begin_ms - begin_ms % WINDOW_MS) * _STEP, max(0, end_ms) * _STEP
    yield from execute(
        f"SELECT {COLUMNS} FROM packs WHERE key >= ? AND key < ?",  # noqa: S608 - constants
        keys,
    )
    yield from fresh_rows(execute, *keys)


def _said(rows: Iterable[Row]) -> Iterator[Said]:
    """Give what packs hold; unordered."""
    for row in rows:
        yield from _unpacked(*row)  # type: ignore[arg-type]


def values_between(execute: Execute, begin_ms: int, end_ms: int) -> list[Value]:
    """Give every value from one instant to before another, in order. Meant for short spans."""
    found = [
        Value(one.at_ms, series, value, flag, one.clock)
        for one in _said(_rows(execute, begin_ms, end_ms))
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
    since_key = (since_ms - since_ms % WINDOW_MS) * _STEP
    heads = list(execute("SELECT key, series FROM packs WHERE key >= ?", (since_key,)))
    heads += [(key, told) for key, _, told, *_ in fresh_rows(execute, since_key)]
    seen = -1
    for key, told in sorted(heads, reverse=True):
        at_ms = int(key) // _STEP  # type: ignore[call-overload]
        window = at_ms - at_ms % WINDOW_MS
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


def windows(execute: Execute, begin_ms: int, end_ms: int) -> Iterator[tuple[int, int]]:
    """Give the windows of a span that hold anything, cut to it, as (begin, end).

    Each is looked for only when it is asked for: a reader holds nothing open between two.
    """
    at_ms = begin_ms
    while at_ms < end_ms:
        found = oldest_ms(execute, at_ms)
        if found is None or found >= end_ms:
            return
        begin = max(at_ms, found - found % WINDOW_MS)
        at_ms = min(end_ms, found - found % WINDOW_MS + WINDOW_MS)
        yield begin, at_ms


def oldest_ms(execute: Execute, since_ms: int = 0) -> int | None:
    """Give an instant at or before the first value of the window of `since_ms` or a later one."""
    begin = since_ms - since_ms % WINDOW_MS
    found = _only(
        execute(
            "SELECT min(at_ms) FROM (SELECT min(key) / ? AS at_ms FROM packs WHERE key >= ? "
            "UNION ALL SELECT min(at_ms) FROM single_readings WHERE at_ms >= ?)",
            (_STEP, begin * _STEP, begin),
        )
    )
    fresh = [_first_ms(row) for row in fresh_rows(execute, begin * _STEP)]
    return min([*fresh, *(() if found is None else (found,))], default=None)


def _first_ms(row: Row) -> int:
    return int(str(row[0])) // _STEP


def is_packed(execute: Execute) -> bool:
    """Tell whether the store is of a version that has packs."""
    return bool(_only(execute("SELECT count(*) FROM sqlite_schema WHERE name = 'packs'")))


def newest_ms(execute: Execute) -> int | None:
    """Give the instant of the last value there is."""
    if not is_packed(execute):
        return _only(execute("SELECT max(at_ms) FROM readings"))
    last = _only(execute("SELECT max(key) FROM packs"))
    packed = None
    if last is not None:
        begin = last // _STEP
        packed = _only(
            execute(
                # Readings stand in the order of time: the last of a pack is its newest.
                "SELECT max(key / ? + json_extract(rows, '$[#-1][0]')) FROM packs WHERE key >= ?",
                (_STEP, (begin - begin % WINDOW_MS) * _STEP),
            )
        )
    single = _only(execute("SELECT max(at_ms) FROM single_readings"))
    fresh = max((one.at_ms for one in _said(fresh_rows(execute))), default=None)
    return max((one for one in (packed, single, fresh) if one is not None), default=None)


def count_values(execute: Execute) -> int:
    """Count the values of the whole store."""
    packed = _only(
        execute("SELECT sum(json_array_length(series) * json_array_length(rows)) FROM packs")
    )
    fresh = sum(len(one.cells) for one in _said(fresh_rows(execute)))
    return (packed or 0) + fresh + (_only(execute("SELECT count(*) FROM single_readings")) or 0)


def delete_before(execute: Execute, cut_ms: int, *, packs: int, singles: int) -> None:
    """Delete some of what is older, the oldest first: so many packs, so many single values."""
    for table, column, cut, most in (
        ("packs", "key", (cut_ms - cut_ms % WINDOW_MS) * _STEP, packs),
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


def _window(row: Row) -> int:
    first_ms = _first_ms(row)
    return first_ms - first_ms % WINDOW_MS


def _only(rows: Cursor) -> int | None:
    for (value,) in rows:
        return None if value is None else int(value)  # type: ignore[call-overload]
    return None


class Packer:
    """Takes the readings of the writer's transactions; nothing is kept in memory beyond one."""

    def __init__(self, execute: Execute) -> None:
        self._execute = execute
        self._slots = Slots(execute)
        self.remember()

    def remember(self) -> None:
        """Begin from what is stored: before the first use and after anything rolled back."""
        self._slots.remember()
        self._fresh: list[Said] = []
        self._taken: tuple[int, set[tuple[int, int]]] = (-1, set())
        self._commits = 0
        self._is_packed = is_packed(self._execute)
        newest = newest_ms(self._execute)
        self._newest_ms = -1 if newest is None else newest
        self._open: dict[int, int] = {}
        if not self._is_packed:
            return
        first = 0 if newest is None else newest - newest % WINDOW_MS - _LOOK_BACK * WINDOW_MS
        # When each window that may hold several packs of a meter was touched last.
        self._open = {
            int(window): 0  # type: ignore[call-overload]
            for (window,) in self._execute(
                "SELECT key / ? / ? * ? AS window FROM packs WHERE key >= ? GROUP BY window "
                "HAVING count(*) > 1",
                (_STEP, WINDOW_MS, WINDOW_MS, max(0, first) * _STEP),
            )
        }
        self._open.update((_window(row), 0) for row in fresh_rows(self._execute))

    @property
    def newest_ms(self) -> int:
        """The last instant written; -1 when there is none."""
        return self._newest_ms

    def add(self, one: Said) -> None:
        """Take a reading into the present transaction."""
        self._fresh.append(one)
        if one.at_ms - one.at_ms % WINDOW_MS == self._taken[0]:
            self._taken[1].update((one.at_ms, series) for series in one.series)

    def is_taken(self, at_ms: int, series: int) -> bool:
        """Tell whether a value of that series stands at that instant."""
        window = at_ms - at_ms % WINDOW_MS
        if not self._is_packed:
            query = "SELECT count(*) FROM readings WHERE at_ms = ? AND series = ?"
            is_fresh = any(one.at_ms == at_ms and series in one.series for one in self._fresh)
            return is_fresh or bool(_only(self._execute(query, (at_ms, series))))
        if window != self._taken[0]:
            held = values_between(self._execute, window, window + WINDOW_MS)
            taken = {one[:2] for one in held}
            taken.update((one.at_ms, key) for one in self._fresh for key in one.series)
            self._taken = window, taken
        return (at_ms, series) in self._taken[1]

    def write(self) -> None:
        """Write what was taken, and put together what is over."""
        self._commits += 1
        fresh, self._fresh = self._fresh, []
        if not self._is_packed:
            self._insert_singly(fresh, "readings")
            return
        by_window: dict[int, list[Said]] = {}
        for one in fresh:
            by_window.setdefault(one.at_ms - one.at_ms % WINDOW_MS, []).append(one)
            self._newest_ms = max(self._newest_ms, one.at_ms)
        for window, said in by_window.items():
            packs, single = _packed(said)
            self._insert(packs, are_fresh=True)
            self._insert_singly(single)
            self._open[window] = self._commits
        present = self._newest_ms - self._newest_ms % WINDOW_MS
        over = {
            window
            for window, touched in self._open.items()
            if window < present and self._commits - touched >= _QUIET_COMMITS
        }
        if over:
            for window in over & self._put_together(min(over)):
                del self._open[window]

    def _put_together(self, window: int) -> set[int]:
        """Make one pack a meter of a window that is over.

        Where some of it is fresh, all that is fresh moves. Gives the windows of what moved.
        """
        by_window: dict[int, list[Row]] = {window: []}
        if self._slots.last_key(window * _STEP, (window + WINDOW_MS) * _STEP) is not None:
            for row in self._slots.take_all():
                by_window.setdefault(_window(row), []).append(row)
        for its, rows in by_window.items():
            self._join(its, rows)
        return set(by_window)

    def _join(self, window: int, fresh: list[Row]) -> None:
        """Put packs of a window, those given included, together among the lasting ones."""
        span = window * _STEP, (window + WINDOW_MS) * _STEP
        lasting = list(
            self._execute(
                f"SELECT {COLUMNS} FROM packs WHERE key >= ? AND key < ?",  # noqa: S608 - constants
                span,
            )
        )
        packs, single = _packed(list(_said([*lasting, *fresh])))
        if single:  # a common power of ten does not suit them all: they stay as they are
            self._insert(_Pack(_first_ms(row), *row[1:]) for row in fresh)  # type: ignore[arg-type]
        elif fresh or len(packs) < len(lasting):
            self._execute("DELETE FROM packs WHERE key >= ? AND key < ?", span)
            self._insert(packs)

    def _insert(self, packs: Iterable[_Pack], *, are_fresh: bool = False) -> None:
        for pack in packs:
            first = pack.first_ms * _STEP
            last = _only(
                self._execute(
                    "SELECT max(key) FROM packs WHERE key >= ? AND key < ?", (first, first + _STEP)
                )
            )
            fresh = self._slots.last_key(first, first + _STEP)
            key = max(first - 1 if one is None else one for one in (last, fresh)) + 1
            if key == first + _STEP:
                raise OverflowError("more than a thousand packs begin in one millisecond")
            if not (are_fresh and self._slots.put(key, pack[1:])):
                self._execute(
                    f"INSERT INTO packs ({COLUMNS}) VALUES (?, ?, ?, ?, ?)",  # noqa: S608 - constants
                    (key, *pack[1:]),
                )

    def _insert_singly(self, said: Iterable[Said], table: str = "single_readings") -> None:
        for one in said:
            for series, (value, flag) in zip(one.series, one.cells, strict=True):
                self._execute(
                    f"INSERT INTO {table} (at_ms, series, value, flag, clock) "  # noqa: S608 - constants
                    "VALUES (?, ?, ?, ?, ?)",
                    (one.at_ms, series, value, flag, one.clock),
                )
