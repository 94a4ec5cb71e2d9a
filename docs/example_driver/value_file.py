"""A meter whose number stands in a file that another program, or the kernel, keeps up to date."""

from collections.abc import AsyncGenerator, AsyncIterator
from contextlib import aclosing, asynccontextmanager
from math import isfinite
from pathlib import Path
from typing import ClassVar

from pydantic import BaseModel, ConfigDict, Field

from acquire.clock import Clock
from acquire.errors import MeterLost, MeterUnavailable
from acquire.readings import Channel, Reading


class FileSettings(BaseModel):
    """The meter's table in ouzel.toml. Value = number in the file * factor, in the own unit."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    driver: str
    file: Path
    quantity: str = "temperature"
    factor: float = 1.0
    resolution: float = Field(gt=0)
    interval_s: float = Field(default=1.0, gt=0)


class ValueFile:
    """Reads one quantity from a file that holds one number."""

    Settings: ClassVar[type[BaseModel]] = FileSettings

    def __init__(self, settings: FileSettings, *, meter: str, clock: Clock) -> None:
        self.settings, self.meter, self.clock = settings, meter, clock
        self.bad_frames = 0
        self.channels = (Channel(settings.quantity, settings.resolution),)
        self.identity = str(settings.file)

    @asynccontextmanager
    async def open(self) -> AsyncGenerator[AsyncIterator[Reading]]:
        if not self.settings.file.is_file():
            raise MeterUnavailable(f"{self.settings.file} is not there: is the program running?")
        async with aclosing(self._readings()) as readings:
            yield readings

    async def _readings(self) -> AsyncGenerator[Reading]:
        while True:
            try:
                text = self.settings.file.read_text(encoding="ascii").strip()
                value = float(text) * self.settings.factor
            except OSError as error:
                raise MeterLost(f"{self.settings.file} cannot be read: {error}") from error
            except ValueError:
                value = float("nan")
            if isfinite(value):
                yield Reading(self.meter, self.clock.now(), {self.settings.quantity: value})
            else:  # no number, or half of one: never a value
                self.bad_frames += 1
            await self.clock.sleep(self.settings.interval_s)
