"""What a transaction writes into which table. The transaction itself is the ledger's."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from acquire.errors import StoreError, StoreStalled
from acquire.readings import CaptureState, Stamp
from acquire.store.check_rows import (
    CheckRow,
    CorrectionRows,
    UndoRow,
    keep_check,
    keep_correction,
    undo_correction,
)
from acquire.store.packer import GATHER_MS, Packer
from acquire.store.packs import Said
from acquire.store.rollups import MINUTES, Retention, RollUps
from acquire.store.rows import (
    CaptureRows,
    EventRow,
    MeterRows,
    ReadingRows,
    unit_of,
)

__all__ = ["Tables"]

_CLOCK_MS = 20
"""How far the wall clock may move against the monotonic one before that gets a row of its own."""

_VALUE_COLUMNS = (
    "quantity, position, value, expanded_u, phase, drift_per_min, settled_after_s, source, "
    "method, reason, budget"
)


class Tables:
    """The tables as the one writer sees them, with what it needs to remember of them."""

    def __init__(
        self, connection: sqlite3.Connection, run: int, retention: Retention | None = None
    ) -> None:
        self._connection = connection
        self._execute = connection.execute
        self._run = run
        self._packer = Packer(connection.execute)
        self._rolls = RollUps(connection, retention)
        self.remember()

    def remember(self) -> None:
        """Fill what is remembered from what is stored: at start and after anything rolled back."""
        self._clock, at_ms, mono_ns = self._execute(
            "SELECT id, at_ms, mono_ns FROM clocks WHERE run = ? ORDER BY id DESC LIMIT 1",
            (self._run,),
        ).fetchone()
        self._lead_ms = _lead_ms(at_ms, mono_ns)
        self._packer.remember()
        self._newest_ms = self._packer.newest_ms
        # The description given last holds: later rows overwrite earlier ones here.
        self._meters: dict[str, int] = dict(
            self._execute("SELECT name, id FROM meters ORDER BY described_ms, id")
        )
        self._series: dict[tuple[str, str], tuple[int, str]] = {
            (name, quantity): (key, unit)
            for name, meter, quantity, key, unit in self._execute(
                "SELECT name, meters.id, quantity, series.id, unit FROM series "
                "JOIN meters ON meters.id = series.meter ORDER BY series.described_ms, series.id"
            )
            if self._meters[name] == meter
        }
        self._newest_of: dict[str, int] = {}
        self._repeated: dict[str, tuple[int, int]] = {}
        self._rolls.remember()
        self.heed_carriers()

    def heed_carriers(self) -> None:
        """Gather more often while somebody waits for minutes."""
        wanted = self._rolls.is_wanted(MINUTES)
        self._packer.gather_ms = MINUTES.length_ms if wanted else GATHER_MS

    # -- meters -----------------------------------------------------------------------------

    def describe(self, said: MeterRows) -> None:
        """Make a description the one that holds; what was read under another keeps that."""
        (latest,) = self._execute("SELECT coalesce(max(described_ms), 0) FROM meters").fetchone()
        at_ms = max(said.at_ms, latest + 1)  # the last one holds, also when the clock went back
        ((meter,),) = self._execute(
            "INSERT INTO meters (described_ms, name, driver, profile, identity) "
            "VALUES (?, ?, ?, ?, ?) ON CONFLICT (name, driver, profile, identity) "
            "DO UPDATE SET described_ms = excluded.described_ms RETURNING id",
            (at_ms, said.name, *said.meter),
        ).fetchall()
        for series in said.series:
            updated = self._execute(
                "UPDATE series SET described_ms = ? WHERE meter = ? AND quantity = ? AND unit = ? "
                "AND resolution IS ? AND accuracy = ? AND accuracy_relative = ? "
                "AND follows IS ? AND reference_c IS ? AND coefficient IS ? "
                "AND reference_electrode IS ?",
                (at_ms, meter, *series),
            )
            if updated.rowcount == 0:
                self._execute(
                    "INSERT INTO series (described_ms, meter, quantity, unit, resolution, "
                    "accuracy, accuracy_relative, follows, reference_c, coefficient, "
                    "reference_electrode) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    (at_ms, meter, *series),
                )
        self.remember()

    def _meter(self, name: str) -> int:
        """Give the key of a meter; one that nobody described is made as it stands."""
        if name not in self._meters:
            self._meters[name] = self._key_of(
                "INSERT INTO meters (name, described_ms) VALUES (?, 0)", name
            )
        return self._meters[name]

    def _series_key(self, meter: str, quantity: str) -> int:
        if (meter, quantity) not in self._series:
            unit = unit_of(quantity)
            key = self._key_of(
                "INSERT INTO series (meter, quantity, unit, described_ms) VALUES (?, ?, ?, 0)",
                self._meter(meter),
                quantity,
                unit,
            )
            self._series[meter, quantity] = (key, unit)
        return self._series[meter, quantity][0]

    def _key_of(self, insert: str, *row: object) -> int:
        ((key,),) = self._execute(insert + " RETURNING id", row).fetchall()
        return int(key)

    # -- readings ---------------------------------------------------------------------------

    def append(self, readings: Sequence[ReadingRows]) -> int | None:
        """Make readings durable without a transaction; gives how many values.

        None, and nothing done, where it takes one: something else must be written with them, it is
        time, or the tail cannot be used.
        """
        if not self._packer.is_open or not all(map(self._is_known, readings)):
            return None
        before = dict(self._newest_of), dict(self._repeated)
        said = [self._placed(reading) for reading in readings if reading.cells]
        if not said or not self._packer.append():
            self._packer.forget()
            self._newest_of, self._repeated = before
            return None
        return sum(len(one.cells) for one in said)

    def _is_known(self, reading: ReadingRows) -> bool:
        """Tell whether nothing has to be written with a reading: its series, a clock."""
        return self._is_on_time(reading.stamp) and all(
            (reading.meter, quantity) in self._series for quantity, _, _ in reading.cells
        )

    def _placed(self, reading: ReadingRows) -> Said:
        """Give a reading to the packer, at an instant that is free."""
        series = tuple(self._series_key(reading.meter, name) for name, _, _ in reading.cells)
        at_ms = self._free_instant(reading.meter, reading.stamp.at_ms, series)
        cells = tuple((value, flag) for _, value, flag in reading.cells)
        said = Said(at_ms, self._clock, series, cells)
        self._packer.add(said)
        return said

    def insert(self, reading: ReadingRows) -> int:
        """Insert a reading; gives how many rows that took."""
        if not reading.cells:
            return 0
        self._follow_clock(reading.stamp)
        return len(self._placed(reading).cells)

    def expire(self, inserted: int) -> None:
        """Make room for so many rows, and those of the tail."""
        self._rolls.expire(inserted + self._packer.waiting, len(self._meters))

    def roll(self) -> None:
        """Write what was inserted and bring the roll-ups up to it."""
        self._rolls.see(self._packer.write())
        self._rolls.roll()

    @property
    def tail_fault(self) -> StoreStalled | None:
        """Why a file of the tail could not be used, until it has been used again."""
        return self._packer.tail_fault

    def remove_tail(self) -> None:
        """Take the files beside the store away, once the last transaction has emptied them."""
        self._packer.remove_tail()

    def _free_instant(self, meter: str, said_ms: int, series: Sequence[int]) -> int:
        """Find the first free instant from the one said on: a clock set back overwrites nothing.

        The whole reading moves, so that what was said together stays together.
        """
        at_ms = said_ms
        newest_ms = self._newest_of.get(meter, self._newest_ms)
        if at_ms <= newest_ms:
            repeated_ms, used_ms = self._repeated.get(meter, (-1, -1))
            if repeated_ms == said_ms:  # a clock that stands still must not cost a search each time
                at_ms = used_ms + 1
            while any(self._packer.is_taken(at_ms, key) for key in series):
                at_ms += 1
        self._newest_of[meter] = max(at_ms, newest_ms)
        self._repeated[meter] = (said_ms, at_ms)
        return at_ms

    def _follow_clock(self, stamp: Stamp) -> None:
        if self._is_on_time(stamp):
            return
        self._clock = self._key_of(
            "INSERT INTO clocks (run, at_ms, mono_ns) VALUES (?, ?, ?)",
            self._run,
            stamp.at_ms,
            stamp.mono_ns,
        )
        self._lead_ms = _lead_ms(stamp.at_ms, stamp.mono_ns)

    def _is_on_time(self, stamp: Stamp) -> bool:
        return abs(_lead_ms(stamp.at_ms, stamp.mono_ns) - self._lead_ms) <= _CLOCK_MS

    # -- captures and events ----------------------------------------------------------------

    def note(self, event: EventRow) -> None:
        self._execute(
            "INSERT INTO events (run, at_ms, mono_ns, kind, meter, text, data) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            (self._run, *event.row),
        )

    def keep(self, capture: CaptureRows) -> None:
        """Insert a capture, or add a state to one that is there.

        Asking twice for the same state changes nothing, so a caller may always ask again.
        """
        found = self._execute(
            "SELECT key, latest, name, started_ms, state FROM captures "
            "JOIN meters ON meters.id = captures.meter WHERE captures.id = ?",
            (capture.id,),
        ).fetchone()
        if found is None:
            key, number = self._insert_capture(capture), 1
        else:
            key, latest, meter, started_ms, state = found
            if self._holds(key, latest, capture):
                return
            _require_may_follow(capture, meter, started_ms, CaptureState(state))
            number = latest + 1
            state, _, _, water, role, reason = capture.said
            self._execute(
                "UPDATE captures SET latest = ?, state = ?, water = ?, role = ?, reason = ? "
                "WHERE key = ?",
                (number, state, water, role, reason, key),
            )
        self._execute(
            "INSERT INTO capture_states (capture, number, state, taken_ms, taken_mono_ns, water, "
            "role, reason) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (key, number, *capture.said),
        )
        for table, values in (
            ("capture_values", capture.values),
            ("capture_derived", capture.derived),
        ):
            if values:
                self._connection.executemany(
                    f"INSERT INTO {table} (capture, number, unit, {_VALUE_COLUMNS}) "  # noqa: S608 - constants
                    "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    [
                        (key, number, self._unit(capture.meter, value[0]), *value)
                        for value in values
                    ],
                )

    def judge(self, check: CheckRow) -> None:
        """Insert what a check found."""
        quantity = check.row[0]
        meter = self._execute(
            "SELECT name FROM captures JOIN meters ON meters.id = captures.meter "
            "WHERE captures.id = ?",
            (check.capture_id,),
        ).fetchone()
        unit = self._unit(meter[0], quantity) if meter else ""
        keep_check(self._execute, check, unit)

    def correct(self, said: CorrectionRows | UndoRow) -> None:
        """Put a correction in force, or out of it."""
        if isinstance(said, CorrectionRows):
            keep_correction(self._execute, said)
        else:
            undo_correction(self._execute, said)

    def _insert_capture(self, capture: CaptureRows) -> int:
        started = (capture.started.at_ms, capture.started.mono_ns)
        row = (capture.id, self._run, self._meter(capture.meter), *started, *capture.said)
        cursor = self._execute(
            "INSERT INTO captures (id, run, meter, started_ms, started_mono_ns, latest, "
            "state, taken_ms, taken_mono_ns, water, role, reason) "
            "VALUES (?, ?, ?, ?, ?, 1, ?, ?, ?, ?, ?, ?) RETURNING key",
            row,
        )
        return int(cursor.fetchall()[0][0])

    def _holds(self, key: int, number: int, capture: CaptureRows) -> bool:
        """Tell whether this very state is the one kept last."""
        said = self._execute(
            "SELECT state, taken_ms, taken_mono_ns, water, role, reason FROM capture_states "
            "WHERE capture = ? AND number = ?",
            (key, number),
        ).fetchone()
        values, derived = (
            tuple(
                self._execute(
                    f"SELECT {_VALUE_COLUMNS} FROM {table} "  # noqa: S608 - constants
                    "WHERE capture = ? AND number = ? ORDER BY position",
                    (key, number),
                )
            )
            for table in ("capture_values", "capture_derived")
        )
        return bool((said, values, derived) == (capture.said, capture.values, capture.derived))

    def _unit(self, meter: str, quantity: str) -> str:
        found = self._series.get((meter, quantity))
        return unit_of(quantity) if found is None else found[1]


def _require_may_follow(
    capture: CaptureRows, meter: str, started_ms: int, held: CaptureState
) -> None:
    if (capture.meter, capture.started.at_ms) != (meter, started_ms):
        raise StoreError(
            f"capture {capture.id} is already that of another immersion (meter {meter!r}): "
            "nothing was changed"
        )
    if capture.state is not held and held is not CaptureState.PROVISIONAL:
        raise StoreError(
            f"capture {capture.id} is {held.value} and cannot become {capture.state.value}: only "
            "a provisional capture changes its state"
        )


def _lead_ms(at_ms: int, mono_ns: int) -> int:
    """Give how far the wall clock is ahead of the monotonic one."""
    return at_ms - mono_ns // 1_000_000
