"""Writes a few things into the store, durable when it returns."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path

from acquire.clock import Clock
from acquire.store.writer import StoreWriter

__all__ = ["with_writer"]


def with_writer(path: Path, clock: Clock, work: Callable[[StoreWriter], Awaitable[None]]) -> None:
    """Open the store, let `work` keep what it has to, close it; StoreTaken when another writes."""

    async def main() -> None:
        async with await StoreWriter.open(path, clock=clock) as writer:
            await work(writer)

    asyncio.run(main())
