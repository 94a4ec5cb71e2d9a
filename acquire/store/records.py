"""Questions to a store: read-only, beside a running writer, in constant memory.

Long answers are fetched in slices, so that no read of many minutes keeps the writer's log from
being emptied. Every answer ends with what was there when it was asked for.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from typing import Any

from acquire.checks import Check, StandingCorrection
from acquire.readings import Capture, CaptureState, Channel, Event, Flag, Reading, Stamp
from acquire.rounds import COUNT_RESTORED, COUNT_WITHDRAWN, ParticleCount, Round
from acquire.store.asking import OpenStore
from acquire.store.capture_reading import CAPTURE, STATE, Units, capture_with_units
from acquire.store.check_rows import (
    CHECK_QUERY,
    CORRECTION_QUERY,
    check_of,
    corrections_of,
)
from acquire.store.database import mapped
from acquire.store.news import KeptWater, News, events_before, newest_of, news_after, waters_of
from acquire.store.packs import last_values, newest_ms, values_between, windows
from acquire.store.round_rows import counts_of, round_of, rounds_of
from acquire.store.rows import clean, event_of, flag_of
from acquire.store.spans import Span, span_of
from acquire.store.watch_rows import (
    ALERT_QUERY,
    DRAW_QUERY,
    REPLACED_QUERY,
    alert_of,
    draw_of,
)
from acquire.watch.kept import Alert, KeptDraw, Replaced

__all__ = ["Latest", "Records", "Run", "Series", "Units"]

_SLICE = 5000
_LAST_MS = 2**62


@dataclass(frozen=True, slots=True)
class Series:
    """One quantity of one meter, as it was described."""

    meter: str
    unit: str
    """UCUM."""
    channel: Channel | None
    """None when the meter was never described."""
    quantity: str
    driver: str
    profile: str
    identity: str
    is_current: bool
    """Whether readings go to it now; others hold what was read under an earlier description."""


@dataclass(frozen=True, slots=True)
class Latest:
    """What a meter said last of one quantity."""

    meter: str
    quantity: str
    unit: str
    stamp: Stamp
    value: float | None
    flag: Flag | None


@dataclass(frozen=True, slots=True)
class Run:
    """One time a writer had the store open."""

    boot: str
    version: str
    started: Stamp
    ended_ms: int | None
    """None while it runs; after a crash the last time known."""
    is_clean: bool


class Records(OpenStore):
    """What may be asked of a store. Use it in the thread that opened it; close it."""

    # -- meters and runs --------------------------------------------------------------------

    def series(self) -> list[Series]:
        """Give every series, by meter, the latest description of each last."""
        rows = self._all(
            "SELECT name, unit, quantity, resolution, accuracy, accuracy_relative, follows, "
            "reference_c, coefficient, reference_electrode, driver, profile, identity, "
            "series.described_ms = meters.described_ms AND meters.described_ms = "
            "  (SELECT max(described_ms) FROM meters AS other WHERE other.name = meters.name) "
            "FROM series JOIN meters ON meters.id = series.meter "
            "ORDER BY name, series.described_ms, series.id"
        )
        return [
            Series(
                meter=name,
                unit=unit,
                channel=None if channel[0] is None else Channel(quantity, *channel),
                quantity=quantity,
                driver=driver,
                profile=profile,
                identity=identity,
                is_current=bool(current),
            )
            for name, unit, quantity, *channel, driver, profile, identity, current in rows
        ]

    def runs(self) -> list[Run]:
        """Give every run, latest first."""
        rows = self._all(
            "SELECT boot, version, started_ms, started_mono_ns, ended_ms, clean FROM runs "
            "ORDER BY id DESC"
        )
        return [
            Run(boot, version, Stamp(at_ms, mono_ns), ended_ms, bool(is_clean))
            for boot, version, at_ms, mono_ns, ended_ms, is_clean in rows
        ]

    # -- readings ---------------------------------------------------------------------------

    def readings(
        self,
        *,
        since_ms: int = 0,
        until_ms: int | None = None,
        meter: str | None = None,
        quantities: Iterable[str] | None = None,
    ) -> Iterator[Reading]:
        """Give readings in the order of their UTC time, from `since_ms` to before `until_ms`.

        Their monotonic time is recovered from the clock they were taken under, to 20 ms; the raw
        text is not stored.
        """
        said = self.readings_in_units(
            since_ms=since_ms, until_ms=until_ms, meter=meter, quantities=quantities
        )
        return (reading for reading, _ in said)

    def readings_in_units(
        self,
        *,
        since_ms: int = 0,
        until_ms: int | None = None,
        meter: str | None = None,
        quantities: Iterable[str] | None = None,
    ) -> Iterator[tuple[Reading, Units]]:
        """Give `readings`, each with the units it was read under."""
        newest_ms = self._newest_ms()
        last_ms = newest_ms if until_ms is None else min(newest_ms, until_ms - 1)
        names = self._names(meter, quantities)
        rows = self._reading_rows(names, since_ms, last_ms)
        for at_ms, instant in groupby(rows, key=itemgetter(0)):
            said: dict[str, tuple[int, dict[str, float], dict[str, Flag], dict[str, str]]] = {}
            for _, key, value, code, mono_ns in instant:
                name, quantity, unit = names[key]
                _, values, flags, units = said.setdefault(name, (mono_ns, {}, {}, {}))
                units[quantity] = unit
                if value is not None:
                    values[quantity] = value
                flag = flag_of(code)
                if flag is not None:
                    flags[quantity] = flag
            for name, (mono_ns, values, flags, units) in said.items():
                yield Reading(name, Stamp(at_ms, mono_ns), values, flags), units

    def _names(
        self, meter: str | None, quantities: Iterable[str] | None
    ) -> dict[int, tuple[str, str, str]]:
        wanted = None if quantities is None else {clean(quantity) for quantity in quantities}
        return {
            key: (name, quantity, unit)
            for key, name, quantity, unit in self._all(
                "SELECT series.id, name, quantity, unit FROM series "
                "JOIN meters ON meters.id = series.meter ORDER BY series.id"
            )
            if (meter is None or name == clean(meter)) and (wanted is None or quantity in wanted)
        }

    def _reading_rows(
        self, keys: Container[int], since_ms: int, last_ms: int
    ) -> Iterator[tuple[int, int, float | None, int, int]]:
        clocks: dict[int, int] = {}
        for begin, end in windows(self._rows, since_ms, last_ms + 1):
            with self._snapshot():  # of ten minutes: nothing is held open while they are used
                found = values_between(self._rows, begin, end)
                if any(one.clock not in clocks for one in found):
                    clocks = self._clocks()
            for at_ms, key, value, flag, clock in found:
                if key in keys:
                    yield at_ms, key, value, flag, clocks[clock] + at_ms * 1_000_000

    def _newest_ms(self) -> int:
        with self._snapshot():
            found = newest_ms(self._rows)
        return -1 if found is None else found

    def _clocks(self) -> dict[int, int]:
        """Give what to add to UTC nanoseconds for the monotonic time, by clock."""
        rows = self._all("SELECT id, mono_ns, at_ms FROM clocks")
        return {key: mono_ns - at_ms * 1_000_000 for key, mono_ns, at_ms in rows}

    def latest(self, *, within_s: float = 3600.0) -> list[Latest]:
        """Give the last word of every series that spoke in the last `within_s` of the store."""
        found = []
        with self._snapshot():
            now_ms = newest_ms(self._rows) or 0
            names = self._names(None, None)
            since_ms = max(0, now_ms - int(within_s * 1e3) + 1)
            clocks = self._clocks()
            for one in last_values(self._rows, names, since_ms):
                name, quantity, unit = names[one.series]
                stamp = Stamp(one.at_ms, clocks[one.clock] + one.at_ms * 1_000_000)
                found.append(Latest(name, quantity, unit, stamp, one.value, flag_of(one.flag)))
            found.sort(key=lambda one: (one.meter, one.quantity))
        # Two descriptions of one meter are one quantity to the person: the later word holds.
        newest: dict[tuple[str, str], Latest] = {}
        for last in sorted(found, key=lambda last: last.stamp.at_ms):
            newest[last.meter, last.quantity] = last
        return [newest[key] for key in dict.fromkeys((one.meter, one.quantity) for one in found)]

    def span(
        self,
        meter: str,
        quantity: str,
        *,
        since_ms: int,
        until_ms: int | None = None,
        most: int = 1000,
    ) -> Span:
        """Give a quantity over a span in at most `most` points of one width; gaps have none.

        Without `until_ms` to the last reading there is. What was kept in another unit than the
        meter's present one is left out.
        """
        with self._snapshot():
            found = self._all(
                "SELECT series.id, unit FROM series JOIN meters ON meters.id = series.meter "
                "WHERE name = ? AND quantity = ? ORDER BY series.described_ms, series.id",
                meter,
                quantity,
            )
            unit = found[-1][1] if found else ""
            keys = [key for key, its in found if its == unit]
            if until_ms is None:
                until_ms = max(since_ms, newest_ms(self._rows) or 0) + 1
            return span_of(
                self._connection,
                keys,
                since_ms=since_ms,
                until_ms=until_ms,
                most=most,
                unit=unit,
            )

    # -- captures ---------------------------------------------------------------------------

    def captures(
        self,
        *,
        water: str | None = None,
        meter: str | None = None,
        state: CaptureState | None = None,
        since_ms: int = 0,
        until_ms: int | None = None,
    ) -> Iterator[Capture]:
        """Give captures as they stand now, newest first; take as many as you need.

        `since_ms` and `until_ms` (not included) bound when they were taken.
        """
        kept = self.captures_in_units(
            water=water, meter=meter, state=state, since_ms=since_ms, until_ms=until_ms
        )
        return (capture for capture, _ in kept)

    def captures_in_units(
        self,
        *,
        water: str | None = None,
        meter: str | None = None,
        state: CaptureState | None = None,
        since_ms: int = 0,
        until_ms: int | None = None,
    ) -> Iterator[tuple[Capture, Units]]:
        """Give `captures`, each with the units of its values and of what was derived from them."""
        before, key = _LAST_MS if until_ms is None else until_ms, 0
        while True:
            with self._snapshot():
                rows = self._all(
                    f"SELECT key, latest, taken_ms, {CAPTURE} "
                    "WHERE (taken_ms, key) < (?, ?) AND taken_ms >= ? "
                    "AND water = coalesce(?, water) AND name = coalesce(?, name) "
                    "AND state = coalesce(?, state) ORDER BY taken_ms DESC, key DESC LIMIT 100",
                    before,
                    key,
                    since_ms,
                    water,
                    meter,
                    state,
                )
                found = [self._capture(row[0], row[1], row[3:]) for row in rows]
            yield from found
            if len(rows) < 100:
                return
            key, _, before = rows[-1][:3]

    def capture(self, capture_id: str) -> Capture | None:
        """Give the capture of that id as it stands now."""
        with self._snapshot():
            rows = self._all(
                f"SELECT key, latest, {CAPTURE} WHERE captures.id = ?",
                capture_id,
            )
            return self._capture(rows[0][0], rows[0][1], rows[0][2:])[0] if rows else None

    def history(self, capture_id: str) -> list[Capture]:
        """Give every state a capture was kept in, first to last, each with its own values."""
        with self._snapshot():
            rows = self._all(
                f"SELECT key, number, {STATE} WHERE captures.id = ? ORDER BY number", capture_id
            )
            return [self._capture(row[0], row[1], row[2:])[0] for row in rows]

    def _capture(self, key: int, number: int, row: Sequence[Any]) -> tuple[Capture, Units]:
        with mapped(self.path, f"reading capture {row[0]}"):
            return capture_with_units(self._all, key, number, row)

    # -- checks and corrections -------------------------------------------------------------

    def channels(self, meter: str) -> dict[str, Channel]:
        """Give by quantity what a meter measures, as it was described last."""
        return {
            series.quantity: series.channel
            for series in self.series()
            if series.meter == meter and series.is_current and series.channel is not None
        }

    def checks(self, *, meter: str | None = None, capture_id: str | None = None) -> list[Check]:
        """Give checks, oldest first, one a quantity."""
        return [check_of(row) for row in self._all(CHECK_QUERY, meter, capture_id)]

    def corrections(self, *, meter: str | None = None) -> list[StandingCorrection]:
        """Give every correction, oldest first, those undone too: see `checks.in_force`."""
        return corrections_of(self._all(CORRECTION_QUERY, meter))

    # -- rounds -----------------------------------------------------------------------------

    def rounds(self, *, since_ms: int = 0) -> list[Round]:
        """Give the rounds begun since then, oldest first, with what became of their stops."""
        with self._snapshot():
            return rounds_of(self._all, since_ms)

    def round(self, round_id: str) -> Round | None:
        """Give the round of that id, or the only one whose id begins so."""
        with self._snapshot():
            return round_of(self._all, round_id)

    def visited(self, one: Round) -> list[Capture]:
        """Give the captures that the visits of a round name, each once, in the visits' order."""
        names = dict.fromkeys(visit.capture_id for visit in one.visits if visit.capture_id)
        found = (self.capture(name) for name in names)
        return [capture for capture in found if capture is not None]

    def counts(
        self, *, water: str | None = None, round_id: str | None = None, withdrawn: bool = False
    ) -> list[ParticleCount]:
        """Give particle counts, oldest first; those a person withdrew only if asked for."""
        found = counts_of(self._all, water, round_id)
        gone = {} if withdrawn else self.withdrawn_counts()
        return [count for count in found if count.id not in gone]

    def withdrawn_counts(self) -> dict[str, str]:
        """Give by id why a count was withdrawn; the last word of a person holds."""
        words = [*self.events(kind=COUNT_WITHDRAWN), *self.events(kind=COUNT_RESTORED)]
        gone: dict[str, str] = {}
        for word in sorted(words, key=lambda word: word.stamp.at_ms):
            name = str(word.data.get("count", ""))
            if word.kind == COUNT_WITHDRAWN:
                gone[name] = word.text
            else:
                gone.pop(name, None)
        return gone

    # -- the watch --------------------------------------------------------------------------

    def draws(self, watch: str, *, since_ms: int = 0) -> list[KeptDraw]:
        """Give the draws of a watch, oldest first."""
        return [draw_of(row) for row in self._all(DRAW_QUERY, watch, since_ms)]

    def alerts(self, *, watch: str | None = None) -> list[Alert]:
        """Give every alert ever raised, oldest first."""
        found = [alert_of(row) for row in self._all(ALERT_QUERY)]
        return [alert for alert in found if watch is None or alert.watch == watch]

    def replaced(self, watch: str) -> list[Replaced]:
        """Give what was changed at a watch, oldest first."""
        return [Replaced(*row) for row in self._all(REPLACED_QUERY, watch)]

    # -- events -----------------------------------------------------------------------------

    def events(
        self,
        *,
        kind: str | None = None,
        meter: str | None = None,
        since_ms: int = 0,
        until_ms: int | None = None,
    ) -> Iterator[Event]:
        """Give events in the order of their UTC time, from `since_ms` to before `until_ms`."""
        at_ms, key = since_ms, -1
        (newest,) = self._all("SELECT coalesce(max(id), -1) FROM events")[0]
        while True:
            rows = self._all(
                "SELECT id, at_ms, mono_ns, kind, meter, text, data FROM events "
                "WHERE (at_ms, id) > (?, ?) AND at_ms < ? AND id <= ? "
                "AND kind = coalesce(?, kind) AND meter = coalesce(?, meter) "
                "ORDER BY at_ms, id LIMIT ?",
                at_ms,
                key,
                _LAST_MS if until_ms is None else until_ms,
                newest,
                kind,
                meter,
                _SLICE,
            )
            for row in rows:
                yield event_of(row[1:])
            if len(rows) < _SLICE:
                return
            key, at_ms = rows[-1][:2]

    def events_before(
        self,
        before: int | None = None,
        *,
        kind: str | None = None,
        meter: str | None = None,
        most: int = 50,
    ) -> list[tuple[int, Event]]:
        """Give events, the last kept first, each with its number; `before` is one given before."""
        return events_before(self._all, before, kind, meter, most)

    # -- what is new ------------------------------------------------------------------------

    def last_news(self) -> int:
        """Give the number of the last thing that was kept."""
        return newest_of(self._all)

    def news(self, after: int, *, upto: int | None = None, most: int = 500) -> list[News]:
        """Give the captures, in each of their states, and the events kept behind a number."""
        with self._snapshot():
            return news_after(self._all, self._state_of, after, upto, most)

    def waters(self) -> list[KeptWater]:
        """Give the waters of which there are final captures, the last taken first."""
        return waters_of(self._all)

    def _state_of(self, key: int, number: int) -> Capture | None:
        """Give one of the states a capture was kept in; None when it is not in the store."""
        rows = self._all(f"SELECT {STATE} WHERE captures.key = ? AND number = ?", key, number)
        return self._capture(key, number, rows[0])[0] if rows else None
