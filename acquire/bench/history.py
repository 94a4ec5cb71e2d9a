"""One water over the months: every round, its trend, a chart, what changed since the last time.

What a meter's checks say of its drift stands beside it and is taken off, so that the drift of the
meter is not read as a change of the water. Numbers in the quantity's unit; months have 30 days.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import fmean

from acquire.bench.movement import Change, Point, WaterTrend, change_of, is_one_session, trend_of
from acquire.bench.particles import CountResult, particle_result
from acquire.bench.sides import Channels, Measured, in_use, measured
from acquire.bench.sound import sound_of
from acquire.checks import Check, StandingCorrection
from acquire.errors import ConfigError
from acquire.quantities import BUILT_IN, Quantity
from acquire.readings import Capture, CaptureState, Role
from acquire.rounds import Round
from acquire.stats.charts import Individuals, individuals
from acquire.store.records import Records

__all__ = [
    "Change",
    "Point",
    "QuantityHistory",
    "WaterHistory",
    "WaterTrend",
    "history",
]

Quantities = Mapping[str, Quantity]
_CHARTED = 3


@dataclass(frozen=True, slots=True)
class QuantityHistory:
    """One quantity of a water, oldest first."""

    quantity: str
    unit: str
    points: tuple[Point, ...]
    trend: WaterTrend | None
    """None with fewer than three points or within a week."""
    chart: Individuals | None
    change: Change | None
    checks: tuple[Check, ...]
    """Of the meters behind the points, this quantity, or what it follows."""

    @property
    def sound(self) -> tuple[Point, ...]:
        """The points on which trend and chart rest: those that nothing speaks against."""
        return tuple(point for point in self.points if not point.is_doubted)


@dataclass(frozen=True, slots=True)
class WaterHistory:
    """All of it."""

    water: str
    quantities: tuple[QuantityHistory, ...]
    counts: tuple[CountResult, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Visit:
    """The captures of one point, and which round they belong to."""

    captures: tuple[Capture, ...]
    round_id: str
    flags: Mapping[str, tuple[str, ...]]
    """By capture."""

    def of(self, name: str) -> _Visit:
        """The same with the captures that count for a quantity; a doubted repeat may not."""
        return replace(self, captures=sound_of(name, self.captures, self.flags).captures)


@dataclass(frozen=True, slots=True)
class _Known:
    quantities: Quantities
    channels: Channels
    corrections: Sequence[StandingCorrection]
    checks: Sequence[Check]


def history(
    records: Records,
    water: str,
    *,
    quantities: Quantities = BUILT_IN,
    since_ms: int = 0,
    latest: int | None = None,
    rounds: Sequence[Round] | None = None,
) -> WaterHistory:
    """Give the history of a water: its final captures but rinses and checks.

    `latest` bounds it to so many visits and says so, for one that is long; `rounds` are those of
    the store, where they were asked for already.

    Raises:
        ConfigError: no such water; names those there are.

    """
    notes: list[str] = []
    walked = _Walked(records.rounds() if rounds is None else rounds)
    kept = _captures(records, water, quantities, since_ms, notes)
    visits, more = walked.visits(kept, latest)
    captures = [capture for visit in visits for capture in visit.captures]
    if more:
        notes.append(f"The latest {latest} visits; `ouzel history` has all.")
    counted = (one for one in records.counts(water=water) if one.at_ms >= since_ms)
    counts = tuple(particle_result(one) for one in counted)
    if not captures and not counts:
        known = {one.water for one in records.waters()}
        if since_ms and water in known | {one.water for one in records.counts()}:
            raise ConfigError("nothing is kept of this water since that day", found=water)
        raise ConfigError(
            "nothing is kept of such a water", found=water, allowed=", ".join(sorted(known))
        )
    meters = {capture.meter for capture in captures}
    known_of = _Known(
        quantities,
        {meter: records.channels(meter) for meter in meters},
        [one for meter in sorted(meters) for one in records.corrections(meter=meter)],
        [check for check in records.checks() if check.meter in meters],
    )
    names = dict.fromkeys(
        name for one in captures for name in (*one.values, *one.derived) if name in quantities
    )
    ordered = sorted(names, key=list(quantities).index)
    found = (_quantity(name, visits, known_of) for name in ordered)
    return WaterHistory(water, tuple(one for one in found if one.points), counts, tuple(notes))


def _captures(
    records: Records,
    water: str,
    quantities: Quantities,
    since_ms: int,
    notes: list[str],
) -> Iterator[Capture]:
    """Newest first; what was kept in another unit than the table's is left out, and said."""
    kept = records.captures_in_units(water=water, state=CaptureState.FINAL, since_ms=since_ms)
    for capture, units in kept:
        if capture.role in {Role.RINSE, Role.SOLUTION}:
            continue
        odd = [n for n, unit in units.items() if n in quantities and unit != quantities[n].unit]
        if odd:
            notes.append(f"Capture {capture.id} is left out: {', '.join(odd)} in another unit.")
            continue
        yield capture


class _Walked:
    """To which stop of which round a capture belongs, and what was odd about it."""

    def __init__(self, rounds: Sequence[Round]) -> None:
        self._place: dict[str, tuple[str, int]] = {}
        self._flags: dict[str, tuple[str, ...]] = {}
        self._aside: set[str] = set()
        for one in rounds:
            for visit in one.visits:
                if visit.capture_id:
                    self._place[visit.capture_id] = one.id, visit.position
                    self._flags[visit.capture_id] = visit.flags
                    is_aside = visit.state != "taken"
                    (self._aside.add if is_aside else self._aside.discard)(visit.capture_id)

    def visits(
        self, newest_first: Iterable[Capture], latest: int | None
    ) -> tuple[list[_Visit], bool]:
        """Group the repeats of a round, oldest first; other captures stand for themselves.

        Also whether there are more than the latest so many: no more are then read than needed.
        """
        groups: dict[tuple[str, int] | str, list[Capture]] = {}
        more = False
        for capture in newest_first:
            key = self._place.get(capture.id, capture.id)
            if capture.id in self._aside:
                continue
            if latest is not None and key not in groups and len(groups) == latest:
                more = True
                break
            groups.setdefault(key, []).append(capture)
        found = [
            _Visit(
                tuple(reversed(some)),
                key[0] if isinstance(key, tuple) else "",
                {c.id: self._flags.get(c.id, ()) for c in some},
            )
            for key, some in groups.items()
        ]
        return found[::-1], more


def _quantity(name: str, visits: Sequence[_Visit], known: _Known) -> QuantityHistory:
    unit = known.quantities[name].unit
    sound = (visit.of(name) for visit in visits)
    found = [(visit, point) for visit in sound if (point := _point(name, visit, known))]
    points = tuple(point for _, point in found)
    checks = tuple(c for c in known.checks if c.quantity in _checked_by(name, known.channels))
    return QuantityHistory(
        name,
        unit,
        points,
        trend_of(known.quantities[name], points, checks, known.channels, known.corrections),
        _chart(points),
        _change(name, [visit for visit, _ in found[-2:]], points[-2:], checks, known),
        checks,
    )


def _chart(points: Sequence[Point]) -> Individuals | None:
    """Chart what nothing speaks against; places are those among all the points."""
    places = [n for n, point in enumerate(points) if not point.is_doubted]
    if len(places) < _CHARTED:
        return None
    found = individuals([points[n].value for n in places])
    return replace(found, outside=tuple(places[n] for n in found.outside))


def _checked_by(name: str, channels: Channels) -> set[str]:
    """The quantity itself, and what its meters compute it from."""
    follows = {mine[name].follows for mine in channels.values() if name in mine}
    return {name, *(one for one in follows if one is not None)}


def _point(name: str, visit: _Visit, known: _Known) -> Point | None:
    values = [v for c in visit.captures if (v := in_use(c, name)) and v.phase == "settled"]
    if not values:
        return None
    said = _measured(name, visit, known, "")
    u = max(v.expanded_u for v in values) if said is None else said.whole.expanded()
    return Point(
        max(capture.taken.at_ms for capture in visit.captures),
        fmean(value.value for value in values),
        u,
        tuple(capture.id for capture in visit.captures),
        visit.round_id,
        visit.captures[-1].meter,
        any(value.source == "imported" for value in values),
        tuple(dict.fromkeys(f for c in visit.captures for f in visit.flags[c.id])),
    )


def _measured(name: str, visit: _Visit, known: _Known, mark: str) -> Measured | None:
    sources = {capture.id: f"{capture.meter}{mark}" for capture in visit.captures}
    return measured(name, visit.captures, known.channels, known.corrections, sources=sources)


def _change(
    name: str,
    visits: Sequence[_Visit],
    points: Sequence[Point],
    checks: Sequence[Check],
    known: _Known,
) -> Change | None:
    if len(visits) < 2:
        return None
    # In another session the meter may be off by something else: nothing of it cancels.
    marks = ("", "") if is_one_session(points) else (" then", " now")
    before = _measured(name, visits[0], known, marks[0])
    after = _measured(name, visits[1], known, marks[1])
    quantity = known.quantities[name]
    return change_of(quantity, (before, after), points, checks, known.corrections)
