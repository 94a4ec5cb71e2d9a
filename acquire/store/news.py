"""What is new in a store, in the order it was kept, and lists that a person leafs through.

Every state of a capture and every event has a number of its own (`news` in steps.py) that only
grows: whoever remembers the last one heard can be told what came since, however long it was.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from acquire.readings import Capture, Event, Role
from acquire.store.rows import event_of

__all__ = ["KeptWater", "News", "events_before", "newest_of", "news_after", "waters_of"]

Ask = Callable[..., list[tuple[Any, ...]]]
"""Runs a query and gives its rows."""

_EVENT = "events.id, at_ms, mono_ns, kind, meter, text, data"


@dataclass(frozen=True, slots=True)
class News:
    """One thing as it was kept."""

    number: int
    """Its place in the order of all."""
    item: Capture | Event


@dataclass(frozen=True, slots=True)
class KeptWater:
    """A water that was captured, for good."""

    water: str
    captures: int
    first_ms: int
    last_ms: int
    role: Role | None
    """What it was the last time."""


def newest_of(ask: Ask) -> int:
    """Give the last number given; 0 before the first."""
    ((number,),) = ask("SELECT coalesce(max(id), 0) FROM news")
    return int(number)


def news_after(
    ask: Ask,
    capture: Callable[[int, int], Capture | None],
    after: int,
    upto: int | None,
    most: int,
) -> list[News]:
    """Give at most `most` news behind a number; `capture` reads a state by key and number."""
    rows = ask(
        "SELECT news.id, news.kind, thing, number, events.id, at_ms, mono_ns, events.kind, meter, "
        "text, data FROM news LEFT JOIN events ON news.kind = 'event' AND events.id = thing "
        "WHERE news.id > ? AND news.id <= coalesce(?, news.id) ORDER BY news.id LIMIT ?",
        after,
        upto,
        most,
    )
    found: list[News] = []
    for number, kind, thing, state, *event in rows:
        item: Capture | Event | None = None
        if kind == "capture":
            item = capture(thing, state)
        elif event[0] is not None:
            item = event_of(event[1:])
        if item is not None:
            found.append(News(number, item))
    return found


def events_before(
    ask: Ask, before: int | None, kind: str | None, meter: str | None, most: int
) -> list[tuple[int, Event]]:
    """Give events kept before that one, the last kept first, each with its own number."""
    rows = ask(
        f"SELECT {_EVENT} FROM events WHERE events.id < coalesce(?, events.id + 1) "  # noqa: S608 - constant
        "AND kind = coalesce(?, kind) AND meter = coalesce(?, meter) "
        "ORDER BY events.id DESC LIMIT ?",
        before,
        kind,
        meter,
        most,
    )
    return [(row[0], event_of(row[1:])) for row in rows]


def waters_of(ask: Ask) -> list[KeptWater]:
    """Give every named water of which there are final captures, the last taken first."""
    rows = ask(
        "SELECT water, count(*), min(taken_ms), max(taken_ms), (SELECT role FROM captures AS last "
        "  WHERE last.water = captures.water AND last.state = 'final' "
        "  ORDER BY taken_ms DESC, key DESC LIMIT 1) FROM captures "
        "WHERE state = 'final' AND water <> '' GROUP BY water ORDER BY max(taken_ms) DESC, water"
    )
    return [
        KeptWater(water, count, first, last, None if role is None else Role(role))
        for water, count, first, last, role in rows
    ]
