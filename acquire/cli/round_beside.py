"""A round walked by a running `ouzel serve`: ordered by a note, followed in the store."""

from __future__ import annotations

import secrets
import time
from collections.abc import Iterator
from pathlib import Path

from acquire.asking import ask
from acquire.errors import ConfigError, StoreError, StoreTaken
from acquire.outlets.as_json import json_line
from acquire.outlets.round_view import RoundLines
from acquire.paths import real
from acquire.readings import Capture, Event
from acquire.store.lock import StoreLock
from acquire.store.records import Records
from acquire.walking import guidance_of

__all__ = ["is_served", "order_beside", "walk_beside"]

_ANSWER_S = 15.0
_LOOK_S = 0.25


def is_served(store: Path) -> bool:
    """Whether another process writes to this store now."""
    if not store.exists():
        return False
    try:
        lock = StoreLock(real(store))
    except StoreTaken:
        return True
    lock.release()
    return False


def order_beside(store: Path, word: str, meter: str, text: str) -> str:
    """Have the running daemon do something for a round; gives what it did.

    Raises:
        ConfigError: it says why not, or nothing answers.

    """
    if not is_served(store):
        raise ConfigError("no `ouzel serve` runs with this store", file=store)
    with Records.open(store) as records:
        number = records.last_news()
        token = secrets.token_hex(8)
        note = ask(real(store), {"round": word, "meter": meter, "text": text, "ask": token})
        deadline = time.monotonic() + _ANSWER_S
        while time.monotonic() < deadline:
            for news in records.news(number):
                number = news.number
                item = news.item
                if isinstance(item, Event) and item.data.get("ask") == token:
                    if item.data.get("ok") != "True":
                        raise ConfigError(item.text)
                    return item.text
            time.sleep(0.05)
    note.unlink(missing_ok=True)
    raise ConfigError("the running `ouzel serve` does not answer", file=store)


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
