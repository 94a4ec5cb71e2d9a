"""How often a value goes out: on change beyond a dead band, not too often, not too seldom. Pure."""

from __future__ import annotations

from collections.abc import Callable
from typing import Self

from acquire.config import Config
from acquire.outward import MqttConfig
from acquire.readings import Flag, Reading

__all__ = ["Pace", "dead_band"]


class Pace:
    """Decides for one meter; times are monotonic seconds of the readings."""

    def __init__(
        self, every_s: float, at_least_s: float, band: Callable[[str, float], float]
    ) -> None:
        """Prepare; `band` gives how far a quantity may move from a value without being news."""
        self._every_s = every_s
        self._at_least_s = at_least_s
        self._band = band
        self._last: Reading | None = None

    @classmethod
    def of(cls, settings: MqttConfig, config: Config, every_s: float | None = None) -> Self:
        """Give the pace that is configured; a slower one with `every_s`."""
        pause_s = max(every_s or 0.0, settings.every_s)
        return cls(pause_s, max(pause_s, settings.at_least_s), dead_band(settings, config))

    def is_due(self, reading: Reading) -> bool:
        """Tell whether this reading should go out now."""
        if self._last is None:
            return True
        waited_s = reading.stamp.t_s - self._last.stamp.t_s
        if waited_s < 0:  # another boot of the clock
            return True
        return waited_s >= self._every_s and (
            waited_s >= self._at_least_s or self._is_news(reading, self._last)
        )

    def sent(self, reading: Reading) -> None:
        """Take down that this one went out."""
        self._last = reading

    def _is_news(self, reading: Reading, last: Reading) -> bool:
        if reading.values.keys() != last.values.keys() or _flags(reading) != _flags(last):
            return True
        return any(
            abs(value - last.values[quantity]) > self._band(quantity, last.values[quantity])
            for quantity, value in reading.values.items()
        )


def dead_band(settings: MqttConfig, config: Config) -> Callable[[str, float], float]:
    """How far a value may move without being news: as configured, else half its tolerance."""

    def band(quantity: str, value: float) -> float:
        asked = settings.dead_band.get(quantity)
        if asked is not None:
            return asked
        if quantity not in config.quantities:
            return 0.0
        return 0.5 * config.tolerance(quantity).at(value)

    return band


def _flags(reading: Reading) -> dict[str, Flag]:
    return dict(reading.flags)
