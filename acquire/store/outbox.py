"""What waits in the store to be carried outward: who carries, what is done with, what is left.

The store's own triggers queue every state of a capture, every check and every event for each
carrier, in the transaction of the thing itself (steps.py). A carrier takes them in order and says
what became of each. At most `most` wait a carrier: over that the oldest roll-up is dropped, where
there is none the oldest event, then the oldest of all, and counted. Roll-ups wait only where a
carrier asks for a level of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from sqlite3 import Cursor

from acquire.checks import Check
from acquire.readings import Capture, Event
from acquire.store.check_rows import CHECK_QUERY, check_of
from acquire.store.records import Records
from acquire.store.rollups import LEVELS
from acquire.store.rows import clean, event_of

__all__ = ["Carrier", "Delivered", "Item", "Outbox", "Refused", "RolledUp", "Standing", "settle"]

Execute = Callable[..., Cursor]


@dataclass(frozen=True, slots=True)
class Carrier:
    """From now on things wait for it, at most so many; with `is_on` false never again."""

    name: str
    most: int = 100_000
    is_on: bool = True
    rollups: str = ""
    """The level of roll-ups that waits for it too: `minutes`, `hours`, `days` or none."""


@dataclass(frozen=True, slots=True)
class Delivered:
    """These are where they should be, or can never be: take them out."""

    ids: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Refused:
    """The receiver would not have this one; it stays, with the reason."""

    id: int
    reason: str


def settle(execute: Execute, said: Carrier | Delivered | Refused) -> None:
    """Write down what a carrier says; the transaction is the caller's."""
    match said:
        case Carrier(is_on=True):
            execute(
                "INSERT INTO carriers (name, most, rollups) VALUES (?, ?, ?) "
                "ON CONFLICT (name) DO UPDATE SET most = excluded.most, "
                "rollups = excluded.rollups",
                (clean(said.name), said.most, said.rollups),
            )
            _make_room(execute, clean(said.name))
        case Carrier():
            execute("DELETE FROM outbox WHERE carrier = ?", (clean(said.name),))
            execute("DELETE FROM carriers WHERE name = ?", (clean(said.name),))
        case Delivered():
            for key in said.ids:
                execute("DELETE FROM outbox WHERE id = ?", (key,))
        case Refused():
            execute(
                "UPDATE outbox SET refused = ? WHERE id = ?",
                (clean(said.reason)[:200] or "refused", said.id),
            )


def _make_room(execute: Execute, carrier: str) -> None:
    """Drop what is too much once fewer may wait: roll-ups, then events, then the rest."""
    ((excess,),) = execute(
        "SELECT max(0, waiting - most) FROM carriers WHERE name = ?", (carrier,)
    ).fetchall()
    execute(
        "DELETE FROM outbox WHERE id IN (SELECT id FROM outbox WHERE carrier = ? "
        "ORDER BY kind <> 'rollup', kind <> 'event', id LIMIT ?)",
        (carrier, excess),
    )
    execute("UPDATE carriers SET dropped = dropped + ? WHERE name = ?", (excess, carrier))


@dataclass(frozen=True, slots=True)
class RolledUp:
    """One quantity of one meter in one stretch of time that is over."""

    meter: str
    quantity: str
    unit: str
    """UCUM; what the values were kept in."""
    level: str
    start_ms: int
    n: int
    low: float
    high: float
    mean: float


@dataclass(frozen=True, slots=True)
class Item:
    """One thing that waits."""

    id: int
    """Its place in the order; never used twice."""
    thing: Capture | Check | Event | RolledUp | None
    """None when it is no longer in the store."""
    number: int
    """Which state of a capture, from 1; 0 for the rest."""
    refused: str
    """What a receiver said against it; empty when none did."""


@dataclass(frozen=True, slots=True)
class Standing:
    """How much waits for a carrier."""

    waiting: int = 0
    refused: int = 0
    dropped: int = 0
    oldest_ms: int | None = None
    """When the oldest that waits came about."""


class Outbox(Records):
    """The outbox, for reading. For the thread that opened it, like `Records`."""

    def newest(self, carrier: str) -> int:
        """Give the number of the last that waits; 0 when nothing does."""
        ((key,),) = self._all(
            "SELECT coalesce(max(id), 0) FROM outbox WHERE carrier = ?",
            carrier,
        )
        return int(key)

    def take(self, carrier: str, *, after: int = 0, limit: int = 50) -> list[Item]:
        """Give what waits, oldest first, from after that number on."""
        with self._snapshot():
            rows = self._all(
                "SELECT id, kind, thing, number, quantity, refused FROM outbox "
                "WHERE carrier = ? AND id > ? ORDER BY id LIMIT ?",
                carrier,
                after,
                limit,
            )
            return [
                Item(key, self._thing(kind, thing, number, quantity), number, refused)
                for key, kind, thing, number, quantity, refused in rows
            ]

    def standing(self, carrier: str) -> Standing:
        """Tell how much waits, how much was refused, how old the oldest is."""
        with self._snapshot():
            rows = self._all("SELECT waiting, dropped FROM carriers WHERE name = ?", carrier)
            if not rows:
                return Standing()
            ((refused,),) = self._all(
                "SELECT count(*) FROM outbox WHERE carrier = ? AND refused <> ''", carrier
            )
            oldest = self._all(
                "SELECT coalesce(events.at_ms, captures.taken_ms, thing) FROM outbox "
                "LEFT JOIN events ON outbox.kind = 'event' AND events.id = thing "
                "LEFT JOIN captures ON outbox.kind IN ('capture', 'check') "
                "AND captures.key = thing "
                "WHERE carrier = ? ORDER BY outbox.id LIMIT 1",
                carrier,
            )
        waiting, dropped = rows[0]
        return Standing(waiting, refused, dropped, oldest[0][0] if oldest else None)

    def _thing(
        self, kind: str, key: int, number: int, quantity: str
    ) -> Capture | Check | Event | RolledUp | None:
        if kind == "rollup":
            return self._rolled_up(quantity, key, number)
        if kind == "event":
            rows = self._all(
                "SELECT at_ms, mono_ns, kind, meter, text, data FROM events WHERE id = ?", key
            )
            return event_of(rows[0]) if rows else None
        if kind == "capture":
            return self._state_of(key, number)
        rows = self._all("SELECT id FROM captures WHERE key = ?", key)
        found: Sequence[Check] = [
            check_of(row) for row in self._all(CHECK_QUERY, None, rows[0][0] if rows else "")
        ]
        return next((one for one in found if one.quantity == quantity), None)

    def _rolled_up(self, level: str, start_ms: int, series: int) -> RolledUp | None:
        if level not in {one.table for one in LEVELS}:
            return None
        rows = self._all(
            "SELECT name, series.quantity, unit, n, low, high, total / n "  # noqa: S608 - a constant
            f"FROM {level} JOIN series ON series.id = series "
            "JOIN meters ON meters.id = series.meter "
            "WHERE series = ? AND start_ms = ? AND total IS NOT NULL",
            series,
            start_ms,
        )
        if not rows:
            return None
        name, quantity, unit, *numbers = rows[0]
        return RolledUp(name, quantity, unit, level, start_ms, *numbers)
