"""What conductivity says about wet and dry.

Dry air reads 0. A lifted probe keeps a film that reads some per cent of the water it left, and
drains and dries; any water reads something and keeps reading it. So what goes on falling is a film;
what rises, or stays flat for longer than a film can, is a water. Pure, bounded memory.
"""

from __future__ import annotations

from math import inf, log

__all__ = ["FILM_PART", "SURELY_WET", "Wetness"]

AWAY_PART = 0.7
"""Below this part of its level the cell may be leaving the water: no bubble in the way of that."""
FILM_PART = 0.06
"""A drained film reads at most this part of the water it came from (judgement, no source)."""
FILM_S = 120.0
"""Slowest drying of a film, as a time constant (judgement, no source)."""
SURELY_WET = 60.0
"""Counts that a film of unknown past is not believed to hold (judgement, no source)."""
FLAT_S = 4.0
STEADY_S = 3.0
WEAK_S = 15.0
"""One count above the film is a water when it lasts: a film does not rise."""
DRY_S = 5.0
RARE = 9.2
"""-ln of the chance (1 in 10,000) that a run of zeros as long as that comes from a water."""


class Wetness:
    """Follows the conductivity; the caller says with `enter` and `leave` what it concluded."""

    __slots__ = (
        "_above",
        "_flat_high",
        "_flat_s",
        "_gap",
        "_last",
        "_least",
        "_only_fell",
        "_rise_n",
        "_rise_s",
        "_rise_zeros",
        "_t",
        "_under_n",
        "_under_s",
        "_weak_s",
        "_zeros_s",
        "away_n",
        "away_s",
        "established",
        "film",
        "in_water",
        "level",
        "low",
        "top",
        "unit",
    )

    def __init__(self, resolution: float) -> None:
        self.unit = resolution
        self.top = 0.0
        """The highest value ever seen."""
        self.level = 0.0
        """Value in the present or last water, 0 before the first."""
        self.in_water = False
        self._t = -inf
        self._gap = 1.0
        self._above = 1.0
        self._only_fell = True
        self._last = (0.0, 0.0)
        self._least = 0.0
        self.established = False
        """Whether the value has been at rest in this water."""
        self.forget()

    def forget(self) -> None:
        """Drop what was seen since the last conclusion."""
        self.away_s: float | None = None
        """Since when the value is too low for this water; None while it is not."""
        self.away_n = 0
        self._under_s = 0.0
        self._under_n = 0
        self._zeros_s: float | None = None
        self.film = inf
        """The least it has read since it left the water."""
        self._rise_s: float | None = None
        self._weak_s = inf
        self._rise_n = self._rise_zeros = 0
        self._flat_s = inf
        self.low = self._flat_high = 0.0
        """The least since the value came to rest."""

    def enter(self, value: float, *, at_rest: bool) -> None:
        """The probe is in a water that reads `value`, or will when it is at rest."""
        self.in_water = True
        self.established = at_rest
        self._last = (value, value)
        self._least = value
        self._only_fell = True  # what the last water left in the cell and the meter's average
        self.level = value
        self._above = 1.0 if value >= 3.0 * self.unit else 0.5
        self.forget()

    def leave(self) -> None:
        """The probe is in air: what was read since it left is its film."""
        self.in_water = False
        self.away_s = None
        self._rise_s = None

    def update(self, t: float, x: float) -> None:
        """Take a value in; `t` in s and rising."""
        gap = t - self._t
        if gap < inf:
            most = 4.0 * self._gap
            self._gap += 0.2 * (min(gap, most) - self._gap)
        self._t = t
        if x > self._flat_high or x < self.low or self._flat_s == inf:
            self._widen(t, x)
        if x > 0.5 * self.unit:
            self._zeros_s = None
        elif self._zeros_s is None:
            self._zeros_s = t
        if self.in_water:
            self._in_water(t, x)
        else:
            self._in_air(t, x)
        self._last = (self._last[1], x)

    def _widen(self, t: float, x: float) -> None:
        """Take a value in that is outside the range it has rested in."""
        self.top = max(self.top, x)
        high, low = max(self._flat_high, x), min(self.low, x)
        if high - low > max(2.0 * self.unit, 0.03 * high) or self._flat_s == inf:
            self._flat_s = t
            high = low = x
        self._flat_high, self.low = high, low

    def _in_water(self, t: float, x: float) -> None:
        known = self.established or not self._only_fell
        low = known and x < AWAY_PART * self.level and self.level - x > 2.0 * self.unit
        if low or x <= 0.5 * self.unit:
            if self.away_s is None:
                self.away_s = self._flat_s = t
                self.low = self._flat_high = x
                self.away_n = self._under_n = 0
                self.film = x
                self._rise_s = None
            self.away_n += 1
            self._in_air(t, x)
            if x > max(FILM_PART * self.level, 0.5 * self.unit):
                self._under_n = 0
            else:
                self._under_s = self._under_s if self._under_n else t
                self._under_n += 1
            return
        self.away_s = None
        self._above += 0.03 * (1.0 - self._above)
        steady = self.steady_s(t) >= STEADY_S
        if not self.established:
            middle = sorted((*self._last, x))[1]  # no spike is a level
            self._least = min(self._least, middle)
            self._only_fell = self._only_fell and middle <= 1.03 * self._least + self.unit
            if self._only_fell or middle > self.level:
                self.level = middle
            self.established = steady
        elif steady:  # neither a spike nor the start of a fall is a level
            self.level += (x - self.level) * self._gap / (3.0 + self._gap)

    def _in_air(self, t: float, x: float) -> None:
        dry = self.film <= 0.5 * self.unit
        if self.film == inf:
            least = max(SURELY_WET * self.unit, FILM_PART * self.top)
        else:
            least = 0.5 * self.unit if dry else 1.3 * self.film + 2.0 * self.unit
        if x < 1.1 * self.film + 0.9 * self.unit:
            self._weak_s = inf
        elif self._weak_s == inf:
            self._weak_s = t
        if x > least:
            if self._rise_s is None:
                self._rise_s = t
                self._rise_n = self._rise_zeros = 0
            self._rise_n += 1
        else:
            if self._rise_s is not None:
                self._rise_zeros += 1
                # flicker between nothing and one count is a water when it keeps coming back
                if not dry or self._rise_zeros > 3 * self._rise_n + 2:
                    self._rise_s = None
            if x < self.film and (x > 0.5 * self.unit or self.is_dry(t)):
                self.film = x

    def is_out(self, t: float, grace_s: float) -> bool:
        """Say whether it has been too low, and below a film, for long enough to be in air."""
        if self.away_s is None or self._under_n < 2 or t - self.away_s < grace_s:
            return False
        if self._zeros_s is None or self.level >= 5.0 * self.unit:
            return t - self._under_s >= 0.5 * grace_s
        # a pure water may read 0 now and then: which run of zeros is too long for it?
        share = min(max(self._above, 0.05), 0.95)
        return t - self._zeros_s >= RARE / -log(1.0 - share) * max(self._gap, 2.0)

    def is_back(self, x: float) -> bool:
        """Say whether a value after a fall shows a lift: water of a few counts may flicker to 0."""
        return self.level >= 5.0 * self.unit or x >= self.level + 3.0 * self.unit

    def is_dry(self, t: float) -> bool:
        """Say whether it has read nothing for long enough to be sure."""
        return self._zeros_s is not None and t - self._zeros_s >= DRY_S

    def risen(self, t: float) -> float | None:
        """Give the time at which it rose out of the air, once that is sure."""
        since = self._rise_s
        if since is None or self._rise_n < 2:
            return self._weak_s if t - self._weak_s >= WEAK_S and self.low > 0.0 else None
        if self._rise_zeros:
            return since if self._rise_n >= 4 and t - since >= 8.0 else None
        enough = 1.5 if self._flat_high >= 4.0 * self.unit else 4.0
        return since if t - since >= enough else None

    def steady_s(self, t: float) -> float:
        """Seconds for which it has stayed within 3 % or two counts."""
        return t - self._flat_s

    def flat(self, t: float, *, calm: bool) -> float | None:
        """Give the time since which it has been flatter than a film can be, if it has.

        `calm`: the electrodes floated and have come to rest since, which halves the doubt.
        """
        high = self._flat_high
        if high <= 0.5 * self.unit or self.low <= 0.5 * self.unit:
            return None
        needed = FILM_S * (high - self.low + self.unit) / high * (0.4 if calm else 1.0)
        return self._flat_s if t - self._flat_s >= max(FLAT_S, needed) else None
