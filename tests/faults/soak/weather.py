"""What befalls the daemon of a soak: faults at random times, and when each of them was."""

from __future__ import annotations

import asyncio
import random
import resource
from pathlib import Path

from tests.broker.conftest import Mosquitto
from tests.faults.soak.swift import SwiftClock
from tests.faults.soak.wire import MemoryPort

HOUR_S = 3600.0


class Weather:
    """Each fault about `per_day` times a day; `spans` says when a meter could not be read."""

    def __init__(
        self,
        clock: SwiftClock,
        ports: dict[str, MemoryPort],
        broker: Mosquitto | None,
        store: Path,
        seed: int,
    ) -> None:
        self._clock, self._ports, self._broker, self._store = clock, ports, broker, store
        self._chance = random.Random(f"weather {seed}")
        self.spans: list[tuple[float, float]] = []
        self.counts: dict[str, int] = {}
        self.is_calm = True
        self.per_day = {
            "unplug": 6.0,
            "loose_plug": 1.0,
            "mute": 3.0,
            "babble": 4.0,
            "step": 1.0,
            "full_disk": 2.0,
            **({"broker_away": 4.0, "broker_hangs": 2.0} if broker else {}),
        }

    async def run(self) -> None:
        total = sum(self.per_day.values())
        while True:
            await self._clock.sleep(self._chance.expovariate(total / (24 * HOUR_S)))
            kind = self._chance.choices(list(self.per_day), list(self.per_day.values()))[0]
            self.counts[kind] = self.counts.get(kind, 0) + 1
            begun_s, self.is_calm = self._clock.t_s, False
            await getattr(self, kind)()
            self.is_calm = True
            if not kind.startswith("broker"):
                self.spans.append((begun_s, self._clock.t_s))

    def _port(self) -> MemoryPort:
        return self._chance.choice(list(self._ports.values()))

    async def unplug(self) -> None:
        port = self._port()
        port.pull()
        await self._clock.sleep(self._chance.uniform(0.5, 1800))
        port.is_plugged = True

    async def loose_plug(self) -> None:
        port = self._port()
        for _ in range(50):
            port.pull()
            await self._clock.sleep(self._chance.uniform(0.1, 3))
            port.is_plugged = True
            await self._clock.sleep(self._chance.uniform(0.1, 8))

    async def mute(self) -> None:
        port = self._port()
        port.is_mute = True
        await self._clock.sleep(self._chance.uniform(5, 900))
        port.is_mute = False

    async def babble(self) -> None:
        """Half a minute of noise at 115200 baud."""
        port = self._port()
        for _ in range(60):
            port.send(self._chance.randbytes(5760))
            await self._clock.sleep(0.5)

    async def step(self) -> None:
        self._clock.step_wall(self._chance.choice((-HOUR_S, HOUR_S, 7.0, -7.0)))

    async def full_disk(self) -> None:
        """A fifth of a real second: while it lasts time stands still for whoever must be durable."""
        log = self._store.with_name(self._store.name + "-wal")
        soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (max(1, log.stat().st_size), hard))
        over = asyncio.get_running_loop().call_later(
            0.2, resource.setrlimit, resource.RLIMIT_FSIZE, (soft, hard)
        )
        while asyncio.get_running_loop().time() < over.when() + 0.01:
            await self._clock.sleep(1.0)
            await asyncio.sleep(0.005)

    async def broker_away(self) -> None:
        assert self._broker is not None
        self._broker.stop()
        await self._clock.sleep(self._chance.uniform(10, 3 * HOUR_S))
        self._broker.start()

    async def broker_hangs(self) -> None:
        assert self._broker is not None
        self._broker.hang()
        for _ in range(20):
            await self._clock.sleep(self._chance.uniform(1, 30))
            await asyncio.sleep(0.005)
        self._broker.wake()
