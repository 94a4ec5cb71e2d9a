"""Takes what other commands left beside the store for the one process that writes."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path

from acquire.asking import asked
from acquire.clock import Clock
from acquire.errors import OuzelError
from acquire.readings import Event
from acquire.store.records import Records
from acquire.works.bench_work import BenchWork
from acquire.works.books import Books
from acquire.works.keeping import Keeping
from acquire.works.orders import Orders

__all__ = ["Requests"]


class Requests:
    """Looks for them when told to, and answers each by an event."""

    def __init__(
        self, bench: BenchWork, orders: Orders, books: Books, keeping: Keeping, clock: Clock
    ) -> None:
        self._bench = bench
        self._orders = orders
        self._books = books
        self._keeping = keeping
        self._clock = clock

    async def take(self, store: Path) -> None:
        """Do what other commands ask of the one process that writes."""
        for note, said in asked(store):
            if "round" in said or "keep" in said:
                note.unlink(missing_ok=True)  # answered by an event, once
                await self._answer(said)
                continue
            for point in self._bench.points:
                if said.get("alert"):
                    news = point.acknowledge(said["alert"], self._clock.now())
                elif said.get("watch") == point.name and said.get("undo"):
                    changes = self._keeping.past(partial(Records.replaced, watch=point.name))
                    news = point.restore(said.get("part", ""), changes, self._clock.now())
                elif said.get("watch") == point.name:
                    news = point.change(said.get("part", "cartridge")[:40], self._clock.now())
                else:
                    continue
                if news:
                    await self._keeping.keep_all(news)
                    if said.get("undo"):
                        self._keeping.past(point.resume)
                    note.unlink(missing_ok=True)  # durable now: whoever asked may go

    async def _answer(self, said: Mapping[str, str]) -> None:
        """Do for another process what it asks; the answer is an event, with the word it gave."""
        meter = said.get("meter", "")
        try:
            if "keep" in said:
                from acquire.errands import carry_out  # noqa: PLC0415

                with Records.open(self._keeping.path or Path()) as records:
                    done = await carry_out(said, self._books, records)
            else:
                done = await self._orders.order(
                    said["round"], meter, said.get("text", ""), is_ours=True
                )
            ok = True
        except (ValueError, OuzelError) as error:
            done, ok = str(error), False
        data: dict[str, float | str] = {"ask": said.get("ask", ""), "ok": str(ok)}
        await self._keeping.keep(Event("order", self._clock.now(), meter, done, data))
