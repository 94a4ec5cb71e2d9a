"""Putting a damaged store aside, so that a daemon nobody watches can begin a new one.

Nothing is deleted and nothing in the files is touched: the store and its companions only get other
names, under which they can be looked into, mended or sent to somebody who can.
"""

from __future__ import annotations

import time
from pathlib import Path

from acquire.errors import StoreDamaged
from acquire.paths import real
from acquire.store.database import APPLICATION_ID, mapped
from acquire.store.lock import StoreLock
from acquire.store.tail import SUFFIXES

__all__ = ["set_aside"]


def set_aside(path: Path, at_ms: int, damage: StoreDamaged) -> Path:
    """Rename a damaged store with its log; gives its new name.

    Raises `damage` again when the file may be something else than a store of ours: one has our mark
    in its beginning or, where that is lost, the lock beside it that only a writer of ours makes.
    """
    path = real(path)
    with mapped(path, "looking at the damage"), path.open("rb") as file:
        mark = file.read(72)[68:]
    if mark != APPLICATION_ID.to_bytes(4) and not path.with_name(path.name + ".lock").exists():
        raise damage
    lock = StoreLock(path)
    try:
        stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime(at_ms / 1000))
        name, number = f"{path.name}.damaged-{stamp}", 1
        while any(path.parent.glob(f"{name}*")):
            number += 1
            name = f"{path.name}.damaged-{stamp}-{number}"
        with mapped(path, "putting the damaged store aside"):
            # The log first: a new store beside the log of another would be ruined by it.
            for companion in ("-wal", *SUFFIXES, "-shm", ".suspect", ""):
                one = path.with_name(path.name + companion)
                if one.exists():
                    one.rename(path.with_name(name + companion))
    finally:
        lock.release()
    return path.with_name(name)
