"""The store as the daemon uses it: opened, written to in order, looked into, watched for stalls.

What is kept is durable before anybody hears of it.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Callable, Coroutine, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from acquire.bench.standing import Said
from acquire.bus import Bus
from acquire.clock import Clock
from acquire.config import StoreConfig
from acquire.errors import ConfigError, StoreDamaged, StoreStalled
from acquire.readings import Capture, Event, Reading
from acquire.store.aside import set_aside
from acquire.store.records import Records
from acquire.store.rollups import Retention
from acquire.store.writer import StoreWriter

if TYPE_CHECKING:
    from acquire.bench.walk import WalkNews
    from acquire.watching import WatchNews

__all__ = ["Keeping"]

_log = logging.getLogger(__name__)

T = TypeVar("T")

PATIENCE_S = 10.0
"""How long a disk that takes nothing is borne while a person waits for it."""
KEEPS_ON_S = 3600.0
"""The same of a daemon: a full disk is found in the evening, and readings held cost little."""


class Keeping:
    """The store of one daemon. Without one nothing is kept, and all is announced as it comes."""

    def __init__(
        self,
        settings: StoreConfig,
        path: Path | None,
        clock: Clock,
        *,
        keeps_on: bool,
        said: Bus[Said],
        read: Bus[Reading | Event],
    ) -> None:
        """`keeps_on`: bears a disk that takes nothing for `KEEPS_ON_S`, and puts a damaged store
        aside for a new one.
        """
        self.path = path
        self.writer: StoreWriter | None = None
        """While it is open."""
        self._settings = settings
        self._clock = clock
        self._keeps_on = keeps_on
        self._said = said
        self._read = read
        self._stalled_s = 0.0
        self._telling: set[asyncio.Task[None]] = set()

    @asynccontextmanager
    async def opened(self) -> AsyncIterator[None]:
        """Let it be open meanwhile."""
        if self.path is None:
            yield
            return
        try:
            opened, anew = await self._open_writer(self.path), None
        except StoreDamaged as damage:
            if not self._keeps_on:
                raise
            now = self._clock.now()
            aside = set_aside(self.path, now.at_ms, damage)
            opened = await self._open_writer(self.path)
            text = (
                f"{self.path.name} is damaged and was put aside whole as {aside.name}; a "
                "new store was begun. Captures, checks and corrections made before are in the old "
                "one"
            )
            _log.error("%s. Found: %s", text, damage)
            anew = Event("store_set_aside", now, "", text, {"aside": aside.name})
        async with opened as writer:
            self.writer = writer
            writer.on_stall = self._on_stall
            writer.on_tail = self._on_tail
            if anew is not None:
                await self.keep(anew)
            try:
                yield
            finally:
                self.writer = None
                for task in self._telling:
                    task.cancel()

    async def _open_writer(self, path: Path) -> StoreWriter:
        store = self._settings
        return await StoreWriter.open(
            path,
            clock=self._clock,
            commit_every_s=store.commit_every_s,
            patience_s=KEEPS_ON_S if self._keeps_on else PATIENCE_S,
            retention=Retention(store.raw_days, store.minute_days),
        )

    def _on_stall(self, failure: StoreStalled | None) -> None:
        """Say at once that nothing can be written, which itself cannot be written; and the end."""
        now = self._clock.now()
        if failure is not None:
            self._stalled_s = now.t_s
            _log.error("%s. Readings are held and tried again every second", failure)
            said = self._said.publish(Event("store_stalled", now, "", str(failure)))
        else:
            took_s = round(now.t_s - self._stalled_s, 1)
            text = f"the store takes readings again after {took_s:g} s; those held are in it"
            _log.warning("%s", text)
            event = Event("store_back", now, "", text, {"stalled_s": took_s})
            said = self._read.publish(event)
        self._tell(said)

    def _on_tail(self, fault: StoreStalled | None) -> None:
        """Say that the store is written more than it should be, and what to do; and the end."""
        if fault is not None:
            text = (
                f"{fault}. Nothing is lost: readings go straight into the store, which wears the "
                "disk more, until this file can be used again"
            )
            _log.warning("%s", text)
            event = Event("store_tail_stalled", self._clock.now(), "", text)
        else:
            text = "the files of the latest readings can be used again"
            _log.warning("%s", text)
            event = Event("store_tail_back", self._clock.now(), "", text)
        self._tell(self._read.publish(event))

    def _tell(self, said: Coroutine[Any, Any, None]) -> None:
        task = asyncio.create_task(said, name="store stall")
        self._telling.add(task)
        task.add_done_callback(self._telling.discard)

    def hurry(self) -> None:
        """The program is asked to end: see `StoreWriter.hurry`."""
        if self.writer is not None:
            self.writer.hurry()

    # -- what is kept -----------------------------------------------------------------------

    async def add(self, reading: Reading) -> None:
        """Take a reading; durable with the next commit."""
        if self.writer is not None:
            await self.writer.add(reading)

    async def keep(self, item: Capture | Event) -> None:
        """Durable first, announced second."""
        await self.hold(item)
        await self._said.publish(item)

    async def keep_all(self, news: Sequence[WalkNews | WatchNews]) -> None:
        """Keep each; captures and events are announced, the rest is for the store alone."""
        for item in news:
            if isinstance(item, Event | Capture):
                await self.keep(item)
            elif self.writer is not None:
                await self.writer.keep(item)

    async def hold(self, item: Capture | Event) -> None:
        """Make it durable, and tell nobody."""
        if self.writer is not None:
            await self.writer.keep(item)

    def written(self) -> StoreWriter:
        """Give the writer; ConfigError where nothing is recorded."""
        if self.writer is None:
            raise ConfigError("nothing is recorded: start ouzel with a store")
        return self.writer

    def past(self, ask: Callable[[Records], T]) -> T:
        """Give what the store says; only to be asked where there is one."""
        assert self.path is not None  # noqa: S101 - only asked for with a store
        with Records.open(self.path) as records:
            return ask(records)
