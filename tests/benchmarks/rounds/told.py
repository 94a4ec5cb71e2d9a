"""What the product says of a round that was walked: kept in a store, compared from there.

Nothing is left out or let in here: which captures count, what a flag does and how repeats scatter
is decided by `compare_stored`, as for anybody who asks `ouzel compare ROUND`.
"""

from __future__ import annotations

import asyncio
import tempfile
from dataclasses import replace
from pathlib import Path

from play import CHANNELS, Played

from acquire.bench.chosen import compare_stored
from acquire.bench.comparison import Comparison
from acquire.clock import SystemClock
from acquire.errors import ConfigError
from acquire.store.records import Records
from acquire.store.writer import StoreWriter
from simulators.probe import Probe
from simulators.traits import Bias

__all__ = ["told", "truth_meant"]


def told(played: Played) -> Comparison | None:
    """Compare reference and subject of this round; None where one of them was never captured."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "w.db")
        asyncio.run(_keep(played, path))
        with Records.open(path) as records:
            try:
                (found,) = compare_stored(records, played.round.id)
            except ConfigError:
                return None
    return found


async def _keep(played: Played, path: Path) -> None:
    async with await StoreWriter.open(path, clock=SystemClock()) as writer:
        await writer.describe("kitchen", driver="text_lines", channels=CHANNELS)
        for capture in played.captures.values():
            await writer.keep(capture)
        await writer.keep(replace(played.round, visits=()))
        for visit in played.round.visits:
            if not visit.count_id:  # particles have no part in this
                await writer.keep(visit)


def truth_meant(played: Played, capture_id: str, water: str) -> dict[str, float]:
    """What a perfect meter shows at the capture of the water that was meant, wherever it was.

    The water as it is then (it warms, it takes up carbon dioxide), for a probe that had always
    stood in it; where the probe was in a glass of other water, that of the glass meant, poured when
    the round began.
    """
    capture = played.captures[capture_id]
    glass = played.glass_of(capture)
    if glass in {None, water} or played.is_alike(str(glass), water):
        return played.truths[capture_id]
    perfect = Probe(0, room_c=played.kitchen.room_c, bias=Bias())
    at_s = capture.taken.t_s
    perfect.move_to(played.kitchen.glasses[water], at_s, poured_s=0.0)
    return perfect.truth(at_s)
