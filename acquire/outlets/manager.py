"""The outlet towards the service manager: ready, how it stands, alive while work is done."""

from __future__ import annotations

import asyncio

from acquire.bench.standing import Said
from acquire.bus import Subscription
from acquire.notify import Notifier
from acquire.outlets.words import clock_time, tidy
from acquire.progress import Progress
from acquire.readings import Capture, Event, Reading
from acquire.store.writer import StoreWriter, WriterStats

__all__ = ["ManagerOutlet"]

LOOK_S = 5.0
"""How often the line is made anew (real seconds)."""
WRITER_S = 60.0
"""So long the writer may sit on readings beyond its commit interval without even trying."""


class ManagerOutlet:
    """Says READY once it runs: by then configuration is read and the store is open.

    It says that the daemon is alive only while nothing in it stands still (`Progress`) and the
    writer empties its queue or at least tries. A disk that takes nothing is told in words instead:
    a restart would lose what is held and would find the same disk.
    """

    name = "service manager"
    only = (Reading, Capture, Event)

    def __init__(self, notifier: Notifier, commit_every_s: float) -> None:
        self._notifier = notifier
        self._patience_s = commit_every_s + WRITER_S
        self._progress = Progress()
        self._writer: StoreWriter | None = None
        self._seen: WriterStats | None = None
        self._heard: dict[str, bool] = {}
        self._last = ""
        self._is_ready = False

    def join(self, writer: StoreWriter | None, _tell: object) -> None:
        """Get the store's counters."""
        self._writer = writer

    def oversee(self, progress: Progress) -> None:
        """Get the account of who moved when."""
        self._progress = progress
        if self._writer is not None:
            progress.expect("writer", self._patience_s)

    async def run(self, heard: Subscription[Said]) -> None:
        if not self._is_ready:
            self._is_ready = True
            self._notifier.ready("waiting for the first reading")
        beating = asyncio.create_task(self._beat(), name="heartbeat")
        try:
            async for said in heard:
                self.hear(said)
        finally:
            beating.cancel()
        self._notifier.stopping()

    def hear(self, said: Said) -> None:
        match said:
            case Reading():
                self._heard[said.meter] = True
            case Event(kind="meter_lost" | "meter_not_reached" | "meter_over"):
                self._heard[said.meter] = False
            case Capture():
                water = tidy(said.water or "a water", 40)
                at = clock_time(said.taken.at_ms)
                self._last = f"; last capture: {water}, {said.state} at {at}"

    async def _beat(self) -> None:
        wait_s = min(LOOK_S, (self._notifier.watchdog_s or LOOK_S) / 3)
        while True:
            await asyncio.sleep(wait_s)
            self.look()

    def look(self) -> None:
        """See how all stands, and say so."""
        stats = None if self._writer is None else self._writer.stats
        is_held = self._follow_writer(stats)
        late = self._progress.late()
        self._notifier.status(self._words(stats, late, is_held=is_held))
        if not late:
            self._notifier.alive()

    def _follow_writer(self, stats: WriterStats | None) -> bool:
        """Note whether the writer moved; True while the disk takes nothing although it tries."""
        before, self._seen = self._seen, stats
        if stats is None:
            return False
        tries = before is not None and stats.failures > before.failures
        if tries:  # everything else may be waiting for the disk: it is not late
            self._progress.excuse()
        if stats.waiting == 0:
            self._progress.rest("writer")
        elif before is None or before.waiting == 0 or tries or stats.commits > before.commits:
            self._progress.beat("writer")
        return tries

    def _words(self, stats: WriterStats | None, late: list[str], *, is_held: bool) -> str:
        if late:
            return f"STANDS STILL: {', '.join(late)}"
        if is_held:
            waiting = 0 if stats is None else stats.waiting
            return f"THE DISK TAKES NOTHING: {waiting} readings held, trying again"
        silent = sorted(name for name, is_well in self._heard.items() if not is_well)
        reading = sorted(name for name, is_well in self._heard.items() if is_well)
        said = [f"reading {', '.join(reading)}"] if reading else ["no meter has spoken yet"]
        if silent:
            said.append(f"not reached: {', '.join(silent)}")
        if stats is not None:
            said.append(f"{stats.readings} readings kept")
        return "; ".join(said) + self._last
