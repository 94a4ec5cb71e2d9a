"""Keeps for others what they count, name and correct: only one process writes to a store."""

from __future__ import annotations

from dataclasses import replace

from acquire.checks import StandingCorrection
from acquire.clock import Clock
from acquire.errors import ConfigError
from acquire.readings import Event, Role
from acquire.rounds import COUNT_RESTORED, COUNT_WITHDRAWN, ParticleCount
from acquire.works.bench_work import BenchWork
from acquire.works.keeping import Keeping

__all__ = ["Books"]


class Books:
    """The `Bookkeeper` of a daemon. Each: ConfigError where nothing is recorded."""

    def __init__(self, bench: BenchWork, keeping: Keeping, clock: Clock) -> None:
        self._bench = bench
        self._keeping = keeping
        self._clock = clock

    async def counted(self, count: ParticleCount) -> ParticleCount:
        """Keep a particle count; a round under way that waits for it goes on with it."""
        writer = self._keeping.written()
        count, meter, news = self._bench.walking.counted(count, self._clock.now())
        await writer.keep(count)
        if meter:
            await self._bench.keep_walked(meter, news)
        return count

    async def take_back(self, count: ParticleCount, *, is_back: bool, note: str) -> None:
        """Withdraw a count, or let it count again; its stop of a round under way follows."""
        self._keeping.written()
        now = self._clock.now()
        kind = COUNT_RESTORED if is_back else COUNT_WITHDRAWN
        why = note or ("not mistaken after all" if is_back else "mistaken")
        data: dict[str, float | str] = {"count": count.id, "water": count.water}
        await self._keeping.keep(Event(kind, now, "", why, data))
        meter, news = self._bench.walking.taken_back(count.id, now, is_back=is_back)
        if meter:
            await self._bench.keep_walked(meter, news)

    async def rename(self, capture_id: str, water: str, role: Role | None) -> None:
        """Let a capture's water be called otherwise."""
        self._keeping.written()
        found = self._keeping.past(lambda records: records.capture(capture_id))
        if found is not None:
            await self._keeping.keep(replace(found, water=water, role=role))

    async def correct(self, correction: StandingCorrection) -> None:
        """Put a correction in force, for what is captured from now on."""
        self._refuse_in_round(correction.meter)
        await self._keeping.written().keep(correction)
        self._bench.correct_anew(correction.meter)

    async def undo_correction(self, meter: str, quantity: str) -> None:
        """End the correction in force; the one before it holds again."""
        self._refuse_in_round(meter)
        await self._keeping.written().undo_correction(meter, quantity)
        self._bench.correct_anew(meter)

    def _refuse_in_round(self, meter: str) -> None:
        """Captures that are compared must have been corrected alike."""
        if self._bench.walking.walk_of(meter) is not None:
            raise ConfigError(f"a round is under way with {meter}: correct it when that is over")
