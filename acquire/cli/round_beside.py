"""A round walked by a running `ouzel serve`: ordered by a note, followed in the store."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

from acquire.cli.beside import ask_beside, is_served
from acquire.errors import StoreError
from acquire.outlets.as_json import json_line
from acquire.outlets.round_view import RoundLines
from acquire.readings import Capture, Event
from acquire.store.records import Records
from acquire.walking import guidance_of

__all__ = ["order_beside", "walk_beside"]

_LOOK_S = 0.25


def order_beside(store: Path, word: str, meter: str, text: str) -> str:
    """Have the running daemon do something for a round; gives what it did, or ConfigError."""
    return ask_beside(store, {"round": word, "meter": meter, "text": text})


def walk_beside(store: Path, meter: str, wanted: str, *, resume: bool, json: bool) -> int:
    """Begin a round in the running daemon and show it until it is over; Ctrl-C only looks away."""
    with Records.open(store) as records:
        after = records.last_news()
    done = order_beside(store, "resume" if resume else "round", meter, wanted)
    show = RoundLines()
    if not json:
        print(f"{done} (in the running `ouzel serve`; `ouzel round --say WORD` tells it things)")
    try:
        for item in _new(store, after):
            if json:
                print(json_line(item), flush=True)
            elif isinstance(item, Event) and item.kind == "guidance":
                show.hear(guidance_of(item))
            else:
                show.hear(item)
            if isinstance(item, Event) and item.kind == "guidance" and item.data["over"] == "True":
                return 0
    except KeyboardInterrupt:
        if not json:
            print("The round goes on without this window; `ouzel round --resume` shows it again.")
        return 130
    raise StoreError(f"{store}: `ouzel serve` has ended; go on with: ouzel round --resume")


def _new(store: Path, number: int) -> Iterator[Capture | Event]:
    """Give what is kept behind a number, as it comes, while somebody writes."""
    with Records.open(store) as records:
        while True:
            found = records.news(number)
            for news in found:
                number = news.number
                yield news.item
            if not found:
                if not is_served(store):
                    return
                time.sleep(_LOOK_S)
