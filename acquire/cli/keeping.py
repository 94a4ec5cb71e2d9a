"""Writes a few things into the store, durable when it returns; or has them written."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import TYPE_CHECKING

from acquire.clock import Clock, SystemClock
from acquire.errors import StoreTaken
from acquire.store.writer import StoreWriter

if TYPE_CHECKING:
    from acquire.errands import Errand

__all__ = ["have_kept", "with_writer"]


def with_writer(path: Path, clock: Clock, work: Callable[[StoreWriter], Awaitable[None]]) -> None:
    """Open the store, let `work` keep what it has to, close it; StoreTaken when another writes."""

    async def main() -> None:
        async with await StoreWriter.open(path, clock=clock) as writer:
            await work(writer)

    asyncio.run(main())


def have_kept(path: Path, errand: Errand, work: Callable[[StoreWriter], Awaitable[None]]) -> str:
    """Let `work` keep it, or have the ouzel that holds the store do the errand.

    Gives the words of that one, empty where `work` did it; ConfigError says why it does not.
    """
    try:
        with_writer(path, SystemClock(), work)
    except StoreTaken:
        from acquire.cli.beside import ask_beside
        from acquire.errands import errand_of

        return ask_beside(path, errand_of(errand))
    return ""
