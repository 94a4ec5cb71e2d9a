"""Has the process that writes to a store do something: a note beside it, answered by an event."""

from __future__ import annotations

import secrets
import time
from collections.abc import Mapping
from pathlib import Path

from acquire.asking import ask
from acquire.errors import ConfigError, StoreTaken
from acquire.paths import real
from acquire.readings import Event
from acquire.store.lock import StoreLock
from acquire.store.records import Records

__all__ = ["ask_beside", "is_served"]

_ANSWER_S = 15.0
_LOOK_S = 0.05


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


def ask_beside(store: Path, request: Mapping[str, str]) -> str:
    """Have the running daemon do something; gives what it did.

    Raises:
        ConfigError: it says why not, or nothing answers.

    """
    if not is_served(store):
        raise ConfigError("no `ouzel serve` runs with this store", file=store)
    with Records.open(store) as records:
        number = records.last_news()
        token = secrets.token_hex(8)
        note = ask(real(store), {**request, "ask": token})
        try:
            deadline = time.monotonic() + _ANSWER_S
            while time.monotonic() < deadline:
                for news in records.news(number):
                    number = news.number
                    item = news.item
                    if isinstance(item, Event) and item.data.get("ask") == token:
                        if item.data.get("ok") != "True":
                            raise ConfigError(item.text)
                        return item.text
                time.sleep(_LOOK_S)
        finally:
            note.unlink(missing_ok=True)  # whoever was not waited for is not to be done later
    raise ConfigError("the running `ouzel serve` does not answer", file=store)
