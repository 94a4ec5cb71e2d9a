"""What somebody outside may ask of the bench: over a broker, from the page, by another command."""

from __future__ import annotations

from acquire.bench.desk import Desk
from acquire.clock import Clock
from acquire.walking import ORDERS as ROUND_ORDERS
from acquire.works.bench_work import BenchWork
from acquire.works.keeping import Keeping

__all__ = ["Orders"]


class Orders:
    """Carries them out, one at a time."""

    def __init__(self, bench: BenchWork, keeping: Keeping, clock: Clock) -> None:
        self._bench = bench
        self._keeping = keeping
        self._clock = clock

    async def order(self, word: str, meter: str, water: str, *, is_ours: bool = False) -> str:
        """Do what somebody outside asks for; gives what was done.

        `water` names the water met now or next, `skip` leaves out the one to come, `stop` all of
        them, `capture` takes another of the water the probe is in. `round` begins the round of the
        plan named in `water`, `resume` goes on with the interrupted one; under way it takes
        `skip`, `redo`, `note`, `answer` (their text in `water`) and `stop`. Only who `is_ours` may
        name a plan by its file. ValueError says why not.
        """
        if not meter and len(self._bench.drivers) == 1:
            (meter,) = self._bench.drivers
        if meter not in self._bench.drivers:
            raise ValueError(
                f"no meter {meter[:40]!r}; there are: {', '.join(self._bench.drivers)}"
            )
        desk = self._bench.desks.get(meter)
        if desk is None and self._bench.is_typed(meter):
            desk = await self._bench.meet(meter)
        if desk is None:
            raise ValueError(f"{meter} has not said anything yet")
        if meter in self._bench.off_bench:
            raise ValueError(f"{meter} takes no captures: its watch says captures = false")
        if word in {"round", "resume"}:
            return await self._bench.begin_round(
                meter, desk, water, word == "resume", is_ours=is_ours
            )
        if self._bench.walking.walk_of(meter) is not None and word in ROUND_ORDERS:
            done, walked = self._bench.walking.order(word, meter, water, self._clock.now())
            await self._bench.keep_walked(meter, walked)
            return f"{meter}: {done}"
        match word:
            case "water" if water:
                desk.plan.expect(water)
                return f"{meter}: the water is {water}"
            case "water":
                raise ValueError('name the water: {"water": "..."}')
            case "capture":
                return await self._capture_again(meter, desk)
            case "skip":
                skipped = desk.plan.skip()
                return f"{meter}: left out {skipped}" if skipped else f"{meter}: nothing to skip"
            case "stop":
                desk.plan.expect_nothing()
                return f"{meter}: no water is named any more"
        raise ValueError(f"no such order: {word[:40]!r}")

    async def _capture_again(self, meter: str, desk: Desk) -> str:
        if self._bench.walking.walk_of(meter) is not None:
            raise ValueError("a round is under way: ask it for `redo`")
        for news in desk.again(self._clock.now()):
            await self._keeping.keep(news)
        return f"{meter}: settling begins anew; a capture follows once it has settled"
