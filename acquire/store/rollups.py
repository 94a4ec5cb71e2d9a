"""Minutes, hours and days made of readings, and how long each of them is kept.

Each level knows the instant it has come to (`rolled.through_ms`): every reading before it is in
the level's rows, none after it is. Whole minutes are read back from the readings when they are
over, whole hours from minutes, days from hours; a reading that comes late, into a stretch that is
over, is merged there in the transaction that inserts it. So each reading counts once in each
level, whatever its order, and a crash leaves nothing half counted: nothing is held in memory.
What is in the tail counts in no level until a transaction takes it from there, late or not.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from acquire.store.packs import (
    Pack,
    Said,
    begin_ms_of,
    delete_before,
    insert_packs,
    is_packed,
    newest_ms,
    said_in,
    values_between,
    windows,
)
from acquire.store.tail import NONE, Row, has_tail
from acquire.store.tally import COLUMNS, Tally

__all__ = ["LEVELS", "Level", "Retention", "RollUps", "put_away"]

_SLICE = 20_000
"""Readings rolled up in one commit at most, about 0.1 s: an old store catches up by and by."""
_EXPIRED = 200
"""Rows that may be deleted in a commit, whatever it inserts."""
_EXPIRED_PACKS = 8
"""Packs that may be deleted in a transaction; of more meters than that, one of each."""
_DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class Level:
    """One roll-up."""

    table: str
    length_ms: int


MINUTES, HOURS, DAYS = LEVELS = (
    Level("minutes", 60_000),
    Level("hours", 3_600_000),
    Level("days", _DAY_MS),
)


@dataclass(frozen=True, slots=True)
class Retention:
    """For how many days *that hold readings* each level is kept; hours and days for ever.

    Days without readings do not count: a clock that jumps a year ahead deletes one day, not all.
    """

    raw_days: int = 30
    minute_days: int = 730


class RollUps:
    """Works inside the writer's transactions."""

    def __init__(self, connection: sqlite3.Connection, keep: Retention | None) -> None:
        self._connection = connection
        self._execute = connection.execute
        self._keep = keep

    def remember(self) -> None:
        """Begin from what is stored: before the first use and after anything rolled back."""
        self._through: dict[str, int] = (
            dict(self._execute("SELECT level, through_ms FROM rolled"))
            if is_packed(self._execute)
            else {}
        )
        self._late: dict[str, dict[tuple[int, int], Tally]] = {one.table: {} for one in LEVELS}
        self._cut_ms: dict[str, int] | None = None
        newest = newest_ms(self._execute, ()) if self._through else None
        self._newest_ms = -1 if newest is None else newest

    def see(self, said: Iterable[Said]) -> None:
        """Take note of readings that this transaction puts among the lasting ones."""
        for at_ms, _, keys, cells in said:
            self._newest_ms = max(self._newest_ms, at_ms)
            for level in LEVELS:
                if at_ms < self._through.get(level.table, 0):
                    start_ms = at_ms - at_ms % level.length_ms
                    for series, (value, flag) in zip(keys, cells, strict=True):
                        if value is not None and not flag:
                            key = start_ms, series
                            self._late[level.table].setdefault(key, Tally()).add(at_ms, value)

    def is_wanted(self, level: Level) -> bool:
        """Tell whether somebody waits for a level to be carried outward."""
        if not has_tail(self._execute):  # nor, before version 9, roll-ups that go out
            return False
        query = "SELECT count(*) FROM carriers WHERE rollups = ?"
        return bool(self._execute(query, (level.table,)).fetchone()[0])

    def roll(self) -> None:
        """Bring every level up to date, once the tail is empty."""
        if not self._through:
            return  # a store held at a version before there were any
        self.roll_late()
        self._roll_minutes()
        self._roll_hours()
        self._roll_days()

    def roll_late(self) -> None:
        """Count what came into stretches that are over."""
        for level in LEVELS:
            self._merge(level, self._late[level.table])
            self._late[level.table] = {}

    # -- upwards ----------------------------------------------------------------------------

    def _roll_minutes(self) -> None:
        through = self._through[MINUTES.table]
        newest = self._newest_ms
        end = newest - newest % 60_000
        if newest < 0 or end <= through:
            return
        taken = 0
        found: dict[tuple[int, int], Tally] = {}
        for begin, its_end in windows(self._execute, through, end, ()):
            for at_ms, series, value, flag, _ in values_between(self._execute, begin, its_end, ()):
                taken += 1
                if value is not None and not flag:
                    found.setdefault((at_ms - at_ms % 60_000, series), Tally()).add(at_ms, value)
            if taken >= _SLICE:
                end = its_end
                break
        self._merge(MINUTES, found)
        self._advance(MINUTES, end)

    def _roll_hours(self) -> None:
        through, end = self._through[HOURS.table], self._end(MINUTES, HOURS)
        if end <= through:
            return
        oldest = self._one("SELECT min(start_ms) FROM minutes WHERE start_ms >= ?", through)
        if oldest is not None and oldest < end:
            end = min(end, oldest - oldest % HOURS.length_ms + 6 * HOURS.length_ms)
            rows = self._execute(
                f"SELECT start_ms, series, {COLUMNS} FROM minutes "  # noqa: S608 - constants
                "WHERE start_ms >= ? AND start_ms < ?",
                (through, end),
            )
            self._fold(HOURS, rows)
        self._advance(HOURS, end)

    def _roll_days(self) -> None:
        through, end = self._through[DAYS.table], self._end(HOURS, DAYS)
        if end <= through:
            return
        for (series,) in self._execute("SELECT id FROM series").fetchall():
            rows = self._execute(
                f"SELECT start_ms, series, {COLUMNS} FROM hours "  # noqa: S608 - constants
                "WHERE series = ? AND start_ms >= ? AND start_ms < ?",
                (series, through, end),
            )
            self._fold(DAYS, rows)
        self._advance(DAYS, end)
        self._cut_ms = None

    def _end(self, below: Level, level: Level) -> int:
        end = self._through[below.table]
        return end - end % level.length_ms

    def _fold(self, level: Level, rows: sqlite3.Cursor) -> None:
        found: dict[tuple[int, int], Tally] = {}
        for start_ms, series, *row in rows:
            key = start_ms - start_ms % level.length_ms, series
            found.setdefault(key, Tally()).merge(Tally.of(tuple(row)))
        self._merge(level, found)

    def _merge(self, level: Level, found: dict[tuple[int, int], Tally]) -> None:
        """Add to what the rows hold already."""
        for (start_ms, series), tally in sorted(found.items()):
            held = self._execute(
                f"SELECT {COLUMNS} FROM {level.table} WHERE start_ms = ? AND series = ?",  # noqa: S608 - constants
                (start_ms, series),
            ).fetchone()
            if held is not None:
                tally.merge(Tally.of(held))
            self._execute(
                f"INSERT OR REPLACE INTO {level.table} (start_ms, series, {COLUMNS}) "  # noqa: S608 - constants
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (start_ms, series, *tally.row()),
            )

    def _advance(self, level: Level, through_ms: int) -> None:
        self._execute("UPDATE rolled SET through_ms = ? WHERE level = ?", (through_ms, level.table))
        self._through[level.table] = through_ms

    # -- away -------------------------------------------------------------------------------

    def expire(self, inserted: int, meters: int) -> None:
        """Delete some of what is past its time: a little more than is about to be `inserted`.

        Called before the inserts of the same transaction, so that they take the pages which the
        deletes leave: those are written once, and expiry costs the flash next to nothing.
        """
        if self._keep is None or not self._through:
            return
        most = max(_EXPIRED, inserted + inserted // 4)
        if self._cut_ms is None:
            self._cut_ms = {
                "readings": self._cut(self._keep.raw_days),
                "minutes": self._cut(self._keep.minute_days),
            }
        delete_before(
            self._execute,
            min(self._cut_ms["readings"], self._through[MINUTES.table]),
            packs=max(_EXPIRED_PACKS, meters),
            singles=most,
        )
        cut = min(self._cut_ms["minutes"], self._through[HOURS.table])
        oldest = self._one("SELECT min(start_ms) FROM minutes")
        if oldest is None or oldest >= cut:
            return
        beyond = self._one(
            "SELECT start_ms FROM minutes WHERE start_ms < ? ORDER BY start_ms LIMIT 1 OFFSET ?",
            cut,
            most,
        )
        end = cut if beyond is None else max(beyond, oldest + 1)
        self._execute("DELETE FROM minutes WHERE start_ms < ?", (end,))

    def _cut(self, days: int) -> int:
        """Give the start of the oldest of the last `days` whole days that hold readings."""
        found = self._one(
            "SELECT start_ms FROM (SELECT DISTINCT start_ms FROM days) "
            "ORDER BY start_ms DESC LIMIT 1 OFFSET ?",
            max(0, days - 1),
        )
        return 0 if found is None else int(found)

    def _one(self, query: str, *values: object) -> int | None:
        row = self._execute(query, values).fetchone()
        return None if row is None else row[0]


def put_away(connection: sqlite3.Connection, rows: Sequence[Row]) -> None:
    """Put packs of a store's tail into a copy of the store, which has none of its own."""
    execute = connection.execute
    insert_packs(execute, (Pack(begin_ms_of(row), *row[1:]) for row in rows))  # type: ignore[arg-type]
    if has_tail(execute):
        execute("UPDATE tail SET turn = ?", (NONE,))
    rolls = RollUps(connection, None)
    rolls.remember()
    rolls.see(said_in(rows))
    rolls.roll_late()
