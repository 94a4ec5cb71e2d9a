"""Presets of the stabilisation detector as data: `presets.toml` names what differs."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field, fields
from functools import cache
from math import sqrt
from pathlib import Path
from typing import Any

from acquire.errors import ConfigError
from acquire.settle_tail import TailPrior

__all__ = ["Preset", "find_preset", "preset_names"]


@dataclass(frozen=True, slots=True)
class Preset:
    """How sure is sure enough, and what is thought likely before any data."""

    name: str = "bench"
    about: str = ""
    doubt: float = 0.03
    """A value is settled while the probability that it is not stays below this."""
    counts_full_s: float = 12.0
    """The tails' doubt counts in full after this long within the tolerance, then ever less."""
    plateau: float = 0.05
    """Probability that a halt is a false plateau, at first."""
    plateau_unseen: float = 0.12
    """The same while this immersion has shown no change at all yet."""
    plateau_abrupt: float = 0.15
    """The same after a halt more abrupt than the response was slowing down."""
    plateau_shortest_s: float = 20.0
    plateau_s: float = 42.0
    """False plateaus that matter last between these two; their doubt falls linearly in between."""
    least_windows: int = 3
    dwell_s: float = 10.0
    """Least time within the tolerance, whatever the doubt."""
    discrepancy: float = 0.18
    """No tail is exact: this share of every change is not held against it."""
    look: float = 11.5
    """How many tolerances back along the response the tails are fitted."""
    noise: float = 0.045
    """Noise of a block expected before any is seen, tolerances."""
    colour: float = 0.9
    """Expected ratio of long-term to short-term noise variance, and ..."""
    colour_weight: float = 10.0
    """... how many differences that expectation is worth."""
    unseen: float = 0.22
    """Standard uncertainty, in tolerances, for a tail too small or too slow to be seen, ..."""
    unseen_for_s: float = 30.0
    """... from here on falling with the root of the time it has stayed within the tolerance."""
    doubt_withdraws: float = 0.6
    """A settled value is withdrawn when the doubt that it is at rest grows beyond this."""
    tail: TailPrior = field(default_factory=TailPrior)

    def counted(self, doubt: float, dwell_s: float) -> float:
        """What the tails' doubt counts for after that many seconds (> 0) within the tolerance.

        The tails take what they leave unexplained for noise, so they learn too little from a long
        stay: at one and the same doubt, values that had stayed for 50 s were wrong a third to a
        half as often as those of 25 s (training seed; docs/settling.md).
        """
        share = self.counts_full_s / max(dwell_s, 1.0)
        return doubt * share * sqrt(share)

    def unseen_u(self, tolerance: float, dwell_s: float) -> float:
        """Standard uncertainty for what may remain unseen, in the unit of the tolerance."""
        fallen = sqrt(self.unseen_for_s / max(dwell_s, self.unseen_for_s))
        return self.unseen * tolerance * fallen

    def plateau_doubt(self, first: float, dwell_s: float) -> float:
        """What is left of the first doubt once the halt has lasted that long."""
        still = (self.plateau_s - dwell_s) / (self.plateau_s - self.plateau_shortest_s)
        return first * min(1.0, max(0.0, still))

    def earliest_dwell(self, first: float) -> float:
        """Seconds within the tolerance before which the plateau alone is too much doubt."""
        span = self.plateau_s - self.plateau_shortest_s
        return self.plateau_s - span * min(self.doubt / first, 1.0)


_ALLOWED = {f.name for f in fields(Preset)} - {"name", "tail"}
_TAIL = {f.name for f in fields(TailPrior)}


@cache
def _table() -> dict[str, Preset]:
    path = Path(__file__).with_name("presets.toml")
    with path.open("rb") as file:
        data = tomllib.load(file)
    return {name: _preset(name, row) for name, row in data["preset"].items()}


def _preset(name: str, row: dict[str, Any]) -> Preset:
    tail = row.pop("tail", {})
    for key in (row.keys() - _ALLOWED) | (tail.keys() - _TAIL):
        raise ConfigError("unknown key of a preset", file="presets.toml", key=f"{name}.{key}")
    return Preset(name=name, tail=TailPrior(**tail), **row)


def preset_names() -> tuple[str, ...]:
    return tuple(_table())


def find_preset(name: str) -> Preset:
    """Give the preset of that name; ConfigError names the allowed ones."""
    try:
        return _table()[name]
    except KeyError:
        raise ConfigError("unknown preset", found=name, allowed=", ".join(_table())) from None
