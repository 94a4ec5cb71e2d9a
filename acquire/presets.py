"""Presets of the stabilisation detector as data: `presets.toml` names what differs."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field, fields
from functools import cache
from itertools import pairwise
from math import exp, log, sqrt
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
    allowed: tuple[tuple[float, float], ...] = (
        (28.5, 0.0605),
        (33.5, 0.0295),
        (42.0, 0.0295),
        (53.0, 0.043),
    )
    """A value is settled once the learnt risk that it is wrong has come down to this: seconds
    within the tolerance and the risk allowed then, in between by the same share each second."""
    least_windows: int = 3
    dwell_s: float = 22.8
    """Least time within the tolerance, whatever the risk; below 10 s no risk was learnt."""
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

    def __post_init__(self) -> None:
        seconds, risks = [s for s, _ in self.allowed], [risk for _, risk in self.allowed]
        if not seconds or seconds != sorted(set(seconds)) or not all(0 < r < 1 for r in risks):
            raise ConfigError(
                "not a risk allowed by seconds",
                file="presets.toml",
                key=f"{self.name}.allowed",
                found=self.allowed,
                allowed="pairs of rising seconds and a risk between 0 and 1",
            )

    def unseen_u(self, tolerance: float, dwell_s: float) -> float:
        """Standard uncertainty for what may remain unseen, in the unit of the tolerance."""
        fallen = sqrt(self.unseen_for_s / max(dwell_s, self.unseen_for_s))
        return self.unseen * tolerance * fallen

    def risk_allowed(self, dwell_s: float) -> float:
        """Give the risk that a record may have after that many seconds within the tolerance."""
        first_s, first = self.allowed[0]
        if dwell_s <= first_s:
            return first
        for (before_s, before), (then_s, then) in pairwise(self.allowed):
            if dwell_s < then_s:
                share = (dwell_s - before_s) / (then_s - before_s)
                return before * exp(share * log(then / before))
        return self.allowed[-1][1]


_KEYS = {f.name for f in fields(Preset)} - {"name", "tail"}
_TAIL = {f.name for f in fields(TailPrior)}


@cache
def _table() -> dict[str, Preset]:
    path = Path(__file__).with_name("presets.toml")
    with path.open("rb") as file:
        data = tomllib.load(file)
    return {name: _preset(name, row) for name, row in data["preset"].items()}


def _preset(name: str, row: dict[str, Any]) -> Preset:
    tail = row.pop("tail", {})
    for key in (row.keys() - _KEYS) | (tail.keys() - _TAIL):
        raise ConfigError("unknown key of a preset", file="presets.toml", key=f"{name}.{key}")
    if "allowed" in row:
        row["allowed"] = tuple((float(s), float(risk)) for s, risk in row["allowed"])
    return Preset(name=name, tail=TailPrior(**tail), **row)


def preset_names() -> tuple[str, ...]:
    return tuple(_table())


def find_preset(name: str) -> Preset:
    """Give the preset of that name; ConfigError names the allowed ones."""
    try:
        return _table()[name]
    except KeyError:
        raise ConfigError("unknown preset", found=name, allowed=", ".join(_table())) from None
