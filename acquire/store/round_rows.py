"""Rounds, their visits and particle counts between our dataclasses and the store's rows."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import asdict
from sqlite3 import Cursor
from typing import Any, get_args

from acquire.errors import StoreError
from acquire.readings import Role
from acquire.rounds import SHAPES, ParticleCount, Round, RoundState, Stop, Visit, VisitState
from acquire.store.rows import clean

__all__ = ["RoundItem", "counts_of", "keep_round_item", "round_of", "rounds_of"]

RoundItem = Round | Visit | ParticleCount

Execute = Callable[..., Cursor]
Ask = Callable[..., list[tuple[Any, ...]]]
"""Runs a query and gives its rows."""

_LAST_MS = 253_402_300_799_999  # the last instant of the year 9999
_ROUND = "key, id, plan, plan_text, stops, meter, began_ms, ended_ms, state, note"
_SIZES = ("field_mm", "field_mm_u", "drop_ul", "drop_ul_u", "slip_mm2", "slip_mm2_u")
_COUNT = (
    f"id, at_ms, water, role, round, fields, shapes, bubbles, {', '.join(_SIZES)}, optics, note"
)


def keep_round_item(execute: Execute, item: RoundItem) -> None:
    """Write one of them.

    A round kept again changes its state, end and note; its visits are kept one by one. A visit
    kept again (same round, stop, repeat and time) changes what became of it. A count kept again
    is replaced.

    Raises:
        StoreError: what it is about is not there, or it says what cannot be.

    """
    match item:
        case Round():
            _keep_round(execute, item)
        case Visit():
            _keep_visit(execute, item)
        case ParticleCount():
            _keep_count(execute, item)


def _keep_round(execute: Execute, said: Round) -> None:
    _require(said.state in get_args(RoundState), f"no state of a round: {said.state!r}")
    _require_time(said.began_ms)
    if said.ended_ms is not None:
        _require_time(said.ended_ms)
    execute(
        "INSERT INTO rounds (id, plan, plan_text, stops, meter, began_ms, ended_ms, state, note) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO UPDATE SET "
        "ended_ms = excluded.ended_ms, state = excluded.state, note = excluded.note",
        (
            clean(said.id),
            clean(said.plan),
            clean(said.plan_text),
            clean(json.dumps([asdict(stop) for stop in said.stops], ensure_ascii=False)),
            clean(said.meter),
            said.began_ms,
            said.ended_ms,
            said.state,
            clean(said.note),
        ),
    )


def _keep_visit(execute: Execute, said: Visit) -> None:
    _require(said.state in get_args(VisitState), f"no state of a visit: {said.state!r}")
    _require(said.position >= 0 and said.repeat >= 1, "a stop counts from 0, a repeat from 1")
    _require_time(said.at_ms)
    found = execute("SELECT key FROM rounds WHERE id = ?", (clean(said.round_id),)).fetchone()
    if found is None:
        raise StoreError(f"no round {said.round_id} is in the store")
    capture = None
    if said.capture_id:
        capture = execute(
            "SELECT key FROM captures WHERE id = ?", (clean(said.capture_id),)
        ).fetchone()
        if capture is None:
            raise StoreError(f"no capture {said.capture_id} is in the store")
    which = (found[0], said.position, said.repeat, said.at_ms)
    what = (
        said.state,
        None if capture is None else capture[0],
        clean(said.count_id) or None,
        clean(said.note),
        clean(json.dumps(list(said.flags), ensure_ascii=False)),
    )
    changed = execute(
        "UPDATE visits SET state = ?, capture = ?, count = ?, note = ?, flags = ? "
        "WHERE round = ? AND position = ? AND repeat = ? AND at_ms = ?",
        (*what, *which),
    )
    if changed.rowcount == 0:
        execute(
            "INSERT INTO visits (state, capture, count, note, flags, round, position, repeat, "
            "at_ms) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (*what, *which),
        )


def _keep_count(execute: Execute, said: ParticleCount) -> None:
    sizes = [float(getattr(said, name)) for name in _SIZES]
    numbers = [*said.fields, *said.shapes.values(), said.bubbles]
    _require(bool(said.fields), "a count has at least one field of view")
    _require(
        all(isinstance(number, int) and number >= 0 for number in numbers),
        "numbers of particles are whole and not below zero",
    )
    _require(
        all(math.isfinite(size) and size >= 0 for size in sizes),
        "sizes of a count are finite and not below zero",
    )
    _require(set(said.shapes) <= set(SHAPES), f"classes of particles are {', '.join(SHAPES)}")
    _require(
        not said.shapes or sum(said.shapes.values()) == sum(said.fields),
        "the classes of a count add up to its fields, or there are none",
    )
    _require_time(said.at_ms)
    execute(
        f"INSERT INTO counts ({_COUNT}) VALUES ({', '.join('?' * 16)}) "  # noqa: S608 - constants
        "ON CONFLICT (id) DO UPDATE SET "
        + ", ".join(f"{name} = excluded.{name}" for name in _COUNT.split(", ")[1:]),
        (
            clean(said.id),
            said.at_ms,
            clean(said.water),
            None if said.role is None else Role(said.role).value,
            clean(said.round_id),
            json.dumps(list(said.fields)),
            json.dumps(dict(said.shapes)),
            said.bubbles,
            *sizes,
            clean(said.optics),
            clean(said.note),
        ),
    )


def rounds_of(ask: Ask, since_ms: int) -> list[Round]:
    """Give the rounds begun since then, oldest first, each with its visits in order of time."""
    rows = ask(
        f"SELECT {_ROUND} FROM rounds WHERE began_ms >= ? ORDER BY began_ms, key",  # noqa: S608 - constant
        since_ms,
    )
    return [_round(ask, row) for row in rows]


def round_of(ask: Ask, key: str) -> Round | None:
    """Give the round of that id, or the only one whose id begins so."""
    rows = ask(
        f"SELECT {_ROUND} FROM rounds WHERE id = ? OR substr(id, 1, length(?)) = ? "  # noqa: S608 - constant
        "ORDER BY id <> ?, key LIMIT 2",
        key, key, key, key,
    )  # fmt: skip
    if not key or not rows or (len(rows) > 1 and rows[0][1] != key):
        return None
    return _round(ask, rows[0])


def counts_of(ask: Ask, water: str | None, round_id: str | None) -> list[ParticleCount]:
    """Give particle counts, oldest first."""
    rows = ask(
        f"SELECT {_COUNT} FROM counts WHERE water = coalesce(?, water) "  # noqa: S608 - constant
        "AND round = coalesce(?, round) ORDER BY at_ms, id",
        water,
        round_id,
    )
    return [_count(row) for row in rows]


def _round(ask: Ask, row: Sequence[Any]) -> Round:
    key, round_id, plan, plan_text, stops, meter, began_ms, ended_ms, state, note = row
    visits = ask(
        "SELECT position, repeat, visits.state, at_ms, coalesce(captures.id, ''), "
        "coalesce(count, ''), note, flags FROM visits "
        "LEFT JOIN captures ON captures.key = visits.capture WHERE round = ? "
        "ORDER BY at_ms, visits.id",
        key,
    )
    return Round(
        id=round_id,
        plan=plan,
        plan_text=plan_text,
        meter=meter,
        began_ms=began_ms,
        stops=tuple(_stop(said) for said in json.loads(stops)),
        state=state,
        ended_ms=ended_ms,
        visits=tuple(
            Visit(
                round_id,
                position,
                repeat,
                was,
                at_ms,
                capture,
                count,
                said,
                tuple(json.loads(flags)),
            )
            for position, repeat, was, at_ms, capture, count, said, flags in visits
        ),
        note=note,
    )


def _stop(said: dict[str, Any]) -> Stop:
    role = said.pop("role")
    return Stop(**said, role=None if role is None else Role(role))


def _count(row: Sequence[Any]) -> ParticleCount:
    said = dict(zip(_COUNT.split(", "), row, strict=True))
    role = said.pop("role")
    return ParticleCount(
        **{
            name: value for name, value in said.items() if name not in {"fields", "shapes", "round"}
        },
        role=None if role is None else Role(role),
        round_id=said["round"],
        fields=tuple(json.loads(said["fields"])),
        shapes=json.loads(said["shapes"]),
    )


def _require(holds: bool, why: str) -> None:
    if not holds:
        raise StoreError(f"cannot be kept: {why}")


def _require_time(at_ms: int) -> None:
    _require(0 <= at_ms <= _LAST_MS, f"a time outside the years 1970 to 9999: {at_ms}")
