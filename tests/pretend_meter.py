"""A meter whose every number is written down in the test: for daemons, not for drivers."""

from __future__ import annotations

import contextlib
from typing import ClassVar

from pydantic import BaseModel

from acquire.readings import Channel, Reading

__all__ = ["PretendMeter", "PretendSettings"]


class PretendSettings(BaseModel):
    driver: str = "pretend"
    wait_s: float = 1.0


class PretendMeter:
    """One reading each `wait_s` of its clock; a subclass says what the n-th one shows."""

    Settings: ClassVar = PretendSettings
    channels = (Channel("conductivity", 1.0), Channel("temperature", 0.1))
    identity = "pretend-1"
    bad_frames = 0

    def __init__(self, settings, *, meter, clock):
        self.meter, self.clock, self.wait_s = meter, clock, settings.wait_s

    @contextlib.asynccontextmanager
    async def open(self):
        yield self.readings()

    async def readings(self):
        n = 0
        while True:
            await self.clock.sleep(self.wait_s)
            value = self.conductivity(n)
            values = {"conductivity": value, "temperature": 20.0}
            yield Reading(self.meter, self.clock.now(), values, raw=self.raw(value))
            n += 1

    def conductivity(self, n: int) -> float:
        raise NotImplementedError

    def raw(self, value: float) -> str:
        return ""
