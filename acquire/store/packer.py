"""The writer's way with packs: into the tail, and every five minutes among the lasting ones.

Readings come by `add`. Then two ways lead in: `append` makes them durable in the tail alone, which
costs the flash least; `write` puts them, with all that is in the tail, among the lasting packs in a
transaction.
"""

from __future__ import annotations

from collections.abc import Iterable

from acquire.errors import StoreStalled
from acquire.store.packs import (
    COLUMNS,
    KEYS,
    WINDOW_MS,
    Row,
    Said,
    insert_packs,
    is_packed,
    newest_ms,
    packed,
    said_in,
    values_between,
    window_of,
)
from acquire.store.tail import Execute
from acquire.store.tail_writer import Tail

__all__ = ["GATHER_MS", "Packer"]

GATHER_MS = 300_000
"""What five minutes (UTC) bring is in the tail at most: so far are programs behind that read the
store by SQL alone, and so often come the roll-ups."""
_QUIET_COMMITS = 3
"""A window that got nothing for so many commits is looked at."""
_MANY_PACKS = 8
"""More packs of a meter in a window than this, from many captures or late readings, become one.
Those of its gatherings stay: to write them again would cost more than they take."""
_LOOK_BACK = 12
"""Windows looked at after a start for what was not put together yet."""


class Packer:
    """Takes the readings of the writer's commits; nothing is kept in memory beyond one."""

    def __init__(self, execute: Execute) -> None:
        self._execute = execute
        self._tail = Tail(execute)
        self._since_ms = 0  # when the tail's first reading was
        self.gather_ms = GATHER_MS
        self.waiting = 0
        """Values in the tail."""
        self.remember()

    def remember(self) -> None:
        """Begin from what is stored: before the first use and after anything rolled back."""
        self._tail.remember()
        self._fresh: list[Said] = []
        self._taken: tuple[int, set[tuple[int, int]]] = (-1, set())
        self._commits = 0
        self.waiting = sum(len(one.cells) for one in said_in(self._tail.rows))
        self._is_packed = is_packed(self._execute)
        newest = newest_ms(self._execute, self._tail.rows)
        self._newest_ms = -1 if newest is None else newest
        self._last_window = window_of(self._newest_ms)  # in which the last reading stands
        # Of each window that may hold many packs of a meter: how often it was written to, and when
        # last.
        self._open: dict[int, tuple[int, int]] = {}
        if self._is_packed:
            first = 0 if newest is None else window_of(newest) - _LOOK_BACK * WINDOW_MS
            self._open = {
                int(str(window)): (_MANY_PACKS + 1, 0)
                for (window,) in self._execute(
                    "SELECT key / ? / ? * ? AS window FROM packs WHERE key >= ? GROUP BY window "
                    "HAVING count(*) > ? * count(DISTINCT series)",
                    (KEYS, WINDOW_MS, WINDOW_MS, max(0, first) * KEYS, _MANY_PACKS),
                )
            }

    @property
    def newest_ms(self) -> int:
        """The last instant written; -1 when there is none."""
        return self._newest_ms

    @property
    def is_open(self) -> bool:
        """Whether readings may be appended to the tail."""
        return self._tail.is_open

    @property
    def tail_fault(self) -> StoreStalled | None:
        """Why a file of the tail could not be used, until it has been used again."""
        return self._tail.fault

    def append(self) -> bool:
        """Make what was taken durable in the tail, while it is open.

        False, and nothing done, where it takes a transaction: then `forget`, or `write`.
        """
        said = self._fresh
        newest = max(one.at_ms for one in said)
        # Not only later: a clock that is set right must not end the gathering.
        is_due = newest // self.gather_ms != self._since_ms // self.gather_ms
        if is_due and self._tail.rows:
            return False
        rows: list[Row] = []
        for its in _by_window(said).values():
            packs, single = packed(its)
            if single:
                return False
            rows += [(pack.first_ms * KEYS, *pack[1:]) for pack in packs]
        is_first = not self._tail.rows
        if not self._tail.append(rows):
            return False
        if is_first:
            self._since_ms, self.waiting = min(one.at_ms for one in said), 0
        self.waiting += sum(len(one.cells) for one in said)
        self._newest_ms = max(self._newest_ms, newest)
        self._commits += 1
        self._fresh = []
        return True

    def forget(self) -> None:
        """Have taken nothing."""
        self._fresh = []
        self._taken = (-1, set())

    def add(self, one: Said) -> None:
        """Take a reading."""
        self._fresh.append(one)
        if window_of(one.at_ms) == self._taken[0]:
            self._taken[1].update((one.at_ms, series) for series in one.series)

    def is_taken(self, at_ms: int, series: int) -> bool:
        """Tell whether a value of that series stands at that instant."""
        window = window_of(at_ms)
        if not self._is_packed:
            query = "SELECT count(*) FROM readings WHERE at_ms = ? AND series = ?"
            is_fresh = any(one.at_ms == at_ms and series in one.series for one in self._fresh)
            ((held,),) = self._execute(query, (at_ms, series))
            return is_fresh or bool(held)
        if window != self._taken[0]:
            values = values_between(self._execute, window, window + WINDOW_MS, self._tail.rows)
            taken = {one[:2] for one in values}
            taken.update((one.at_ms, key) for one in self._fresh for key in one.series)
            self._taken = window, taken
        return (at_ms, series) in self._taken[1]

    def write(self) -> list[Said]:
        """Write what was taken and what the tail holds, and put together what is over.

        Gives all that was written.
        """
        self._commits += 1
        fresh, self._fresh = self._fresh, []
        if not self._is_packed:
            self._insert_singly(fresh, "readings")
            return fresh
        self.waiting = 0
        written = [*said_in(self._tail.take_all()), *fresh]
        for window, said in _by_window(written).items():
            packs, single = packed(said)
            insert_packs(self._execute, packs)
            self._insert_singly(single)
            self._open[window] = self._open.get(window, (0, 0))[0] + 1, self._commits
            self._newest_ms = max(self._newest_ms, *(one.at_ms for one in said))
        if written:
            self._last_window = window_of(written[-1].at_ms)
        over = [
            window
            for window, (_, touched) in sorted(self._open.items())
            if window != self._last_window and self._commits - touched >= _QUIET_COMMITS
        ]
        for window in over:
            times, _ = self._open.pop(window)
            if times > _MANY_PACKS:
                self._put_together(window)
                break
        return written

    def remove_tail(self) -> None:
        """Take its files away at the end, when nothing is left in them."""
        self._tail.remove()

    def _put_together(self, window: int) -> None:
        """Make one pack a meter of a window that is over."""
        span = window * KEYS, (window + WINDOW_MS) * KEYS
        rows = list(
            self._execute(
                f"SELECT {COLUMNS} FROM packs WHERE key >= ? AND key < ?",  # noqa: S608 - constants
                span,
            )
        )
        packs, single = packed(list(said_in(rows)))
        if not single and len(packs) < len(rows):  # else no power of ten suits them all
            self._execute("DELETE FROM packs WHERE key >= ? AND key < ?", span)
            insert_packs(self._execute, packs)

    def _insert_singly(self, said: Iterable[Said], table: str = "single_readings") -> None:
        for one in said:
            for series, (value, flag) in zip(one.series, one.cells, strict=True):
                self._execute(
                    f"INSERT INTO {table} (at_ms, series, value, flag, clock) "  # noqa: S608 - constants
                    "VALUES (?, ?, ?, ?, ?)",
                    (one.at_ms, series, value, flag, one.clock),
                )


def _by_window(said: Iterable[Said]) -> dict[int, list[Said]]:
    found: dict[int, list[Said]] = {}
    for one in said:
        found.setdefault(window_of(one.at_ms), []).append(one)
    return found
