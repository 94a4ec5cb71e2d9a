"""The record: one SQLite file, one writer, any number of readers.

`StoreWriter` (writer.py) keeps what comes in, `Records` (records.py) answers questions,
export.py turns answers into CSV. Nothing outside this folder knows that SQLite is below.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from acquire.store.records import Records
    from acquire.store.writer import StoreWriter

__all__ = ["Records", "StoreWriter"]


def __getattr__(name: str) -> object:
    # A command that only reads must not pay for the writer, nor the other way round.
    if name == "StoreWriter":
        from acquire.store.writer import StoreWriter  # noqa: PLC0415

        return StoreWriter
    if name == "Records":
        from acquire.store.records import Records  # noqa: PLC0415

        return Records
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
