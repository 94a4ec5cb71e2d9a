"""The packs of the last commits, in rows that are written over turn after turn.

A row that is inserted costs four pages of the log: its own, the one that points to it, and the two
that tell which pages are free. Written over one of much the same length it costs its own alone. So
the packs of a commit go here, one slot after the other; when ten minutes are over, all of them move
among the lasting packs in one transaction, and a new turn begins at the first slot. A row of an
earlier turn holds nothing any more, and stays until it is written over.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence

__all__ = ["COLUMNS", "Row", "Slots", "fresh_rows"]

COLUMNS = "key, clock, series, scales, rows"
"""Of `packs` and `fresh_packs` alike."""
_SLOTS = 512
"""Ten minutes of eight meters; further packs go where they last at once."""
_LONGEST = 900
"""Characters of a pack that is taken: more would not stand in one page."""

Cursor = Iterable[tuple[object, ...]]
Execute = Callable[..., Cursor]
Row = tuple[object, ...]


def _has_slots(execute: Execute) -> bool:
    """Tell whether the store is of a version that has them."""
    ((found,),) = execute("SELECT count(*) FROM sqlite_schema WHERE name = 'fresh_packs'")
    return bool(found)


def fresh_rows(execute: Execute, begin_key: int = 0, end_key: int = 2**63 - 1) -> Iterator[Row]:
    """Give the rows of a span of keys, as `COLUMNS`, in the order they came."""
    if _has_slots(execute):
        yield from execute(
            f"SELECT {COLUMNS} FROM fresh_packs "  # noqa: S608 - constants
            "WHERE turn = (SELECT turn FROM fresh_turn) AND key >= ? AND key < ? ORDER BY slot",
            (begin_key, end_key),
        )


class Slots:
    """Works inside the writer's transactions."""

    def __init__(self, execute: Execute) -> None:
        self._execute = execute
        self.remember()

    def remember(self) -> None:
        """Begin from what is stored: before the first use and after anything rolled back."""
        self._turn, self._used = 0, _SLOTS
        self._keys: set[int] = {int(str(key)) for key, *_ in fresh_rows(self._execute)}
        if _has_slots(self._execute):
            ((self._turn,),) = self._execute("SELECT turn FROM fresh_turn")  # type: ignore[assignment]
            ((self._used,),) = self._execute(  # type: ignore[assignment]
                "SELECT coalesce(max(slot), 0) FROM fresh_packs WHERE turn = ?", (self._turn,)
            )

    def last_key(self, begin_key: int, end_key: int) -> int | None:
        """Give the greatest key of a span that a slot holds."""
        return max((key for key in self._keys if begin_key <= key < end_key), default=None)

    def put(self, key: int, pack: Sequence[object]) -> bool:
        """Write a pack into the next slot; False when it is too long or no slot is left."""
        if self._used >= _SLOTS or sum(len(one) for one in pack if isinstance(one, str)) > _LONGEST:
            return False
        self._used += 1
        self._keys.add(key)
        row = (self._turn, key, *pack, self._used)
        # Not INSERT OR REPLACE: that deletes first, and moves what stands in the same page.
        over = self._execute(
            "UPDATE fresh_packs SET turn = ?, key = ?, clock = ?, series = ?, scales = ?, rows = ? "
            "WHERE slot = ? RETURNING slot",
            row,
        )
        if not list(over):
            self._execute(
                f"INSERT INTO fresh_packs (turn, {COLUMNS}, slot) "  # noqa: S608 - constants
                "VALUES (?, ?, ?, ?, ?, ?, ?)",
                row,
            )
        return True

    def take_all(self) -> list[Row]:
        """Give every row and begin a new turn: whoever takes them puts them elsewhere."""
        rows = list(fresh_rows(self._execute))
        self._turn, self._used, self._keys = self._turn + 1, 0, set()
        self._execute("UPDATE fresh_turn SET turn = ?", (self._turn,))
        return rows
