"""How often a value goes out: on change beyond a dead band, not too often, not too seldom. Pure."""

from __future__ import annotations

from collections.abc import Callable

from acquire.readings import Flag, Reading

__all__ = ["Pace"]


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


def _flags(reading: Reading) -> dict[str, Flag]:
    return dict(reading.flags)
