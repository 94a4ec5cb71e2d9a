"""The hand that moves the probe: a script of stops, and where the probe is at any instant.

Pure: seconds count from the script's beginning. A stop is some time in air, then a glass of a
water poured as the probe goes in, or the line it stands in; a `redip` lifts the probe out of the
same glass once.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from acquire.errors import ConfigError
from acquire.toml_file import read_table
from simulators.waters import HOUSEHOLD, load_waters

__all__ = ["SCRIPTS", "Place", "Redip", "Script", "Stop", "find_script", "load_script"]

SCRIPTS = {
    name: Path(__file__).with_name(f"{name}.toml")
    for name in ("household", "two_checks", "under_sink")
}
"""Scripts that come with the simulator, by name."""

_Seconds = Annotated[float, Field(ge=0.1, le=366 * 86_400, allow_inf_nan=False)]


_HAIR_S = 1e-6
"""Sums of durations round, clocks too: a move must neither be missed nor come twice."""


class Redip(BaseModel):
    """The probe is lifted out of the glass and put back into the same one."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    after_s: _Seconds
    """Counted from going in."""
    out_s: _Seconds


class Stop(BaseModel):
    """Some time in air, then a water."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    water: str
    dwell_s: _Seconds
    """From going in to leaving, a redip included."""
    in_air_s: Annotated[float, Field(ge=0, le=86_400, allow_inf_nan=False)] = 8.0
    """On the way there; 0 swings it straight over."""
    redip: Redip | None = None
    flowing: bool = False
    """The probe stands in a line: the water neither warms nor stands in air."""

    @model_validator(mode="after")
    def _redip_fits(self) -> Stop:
        if self.redip is not None and self.redip.after_s + self.redip.out_s >= self.dwell_s:
            raise PydanticCustomError(
                "redip_too_late",
                "the redip ends after the stop does",
                {"allowed": f"after_s + out_s < dwell_s ({self.dwell_s:g} s)"},
            )
        return self


@dataclass(frozen=True, slots=True)
class Place:
    """Where the probe is, and since when; seconds of the script."""

    water: str | None
    """None is air."""
    since_s: float
    poured_s: float | None = None
    flowing: bool = False
    stop: int | None = None
    """Which stop of the script, from 0; None after its end."""

    @property
    def name(self) -> str:
        return "air" if self.water is None else self.water


class Script:
    """Stops in their order; a looped one begins again after the last."""

    def __init__(self, stops: Collection[Stop], *, title: str = "", loop: bool = False) -> None:
        self.stops = tuple(stops)
        self.title = title
        self.loop = loop
        self._places = tuple(_places(self.stops))
        self._starts = tuple(place.since_s for place in self._places)
        self.length_s = sum(stop.in_air_s + stop.dwell_s for stop in self.stops)
        """Of one pass, in seconds."""

    @classmethod
    def still(cls, water: str, *, flowing: bool = False) -> Script:
        """Give a script of one water that is never left."""
        stop = Stop.model_construct(
            water=water, dwell_s=math.inf, in_air_s=0.0, redip=None, flowing=flowing
        )
        return cls((stop,))

    def where(self, t_s: float) -> Place:
        """Give the place at t; before the beginning and after the end it is in air."""
        if t_s < 0:
            return Place(None, -math.inf)
        begun_s, in_pass_s = self._pass(t_s)
        if in_pass_s >= self.length_s:
            return Place(None, self.length_s)
        place = self._places[bisect_right(self._starts, in_pass_s) - 1]
        if not begun_s:
            return place
        poured_s = None if place.poured_s is None else place.poured_s + begun_s
        return replace(place, since_s=place.since_s + begun_s, poured_s=poured_s)

    def next_move(self, t_s: float) -> float | None:
        """Give when the probe is moved next after t; None when never again."""
        if t_s < 0:
            return 0.0
        begun_s, in_pass_s = self._pass(t_s)
        if in_pass_s >= self.length_s:
            return None
        index = bisect_right(self._starts, in_pass_s)
        if index < len(self._starts):
            return begun_s + self._starts[index]
        if math.isinf(self.length_s):
            return None
        # Written as `_pass` will write it, to the last bit.
        return self.length_s * (round(begun_s / self.length_s) + 1)

    def moves(self, after_s: float, until_s: float) -> Iterator[Place]:
        """Give every place it comes to in after_s < t <= until_s, in their order."""
        following, beyond = self.next_move(after_s), self.next_move(until_s)
        # Both come from one piece of arithmetic: cut anywhere, the moves are the same.
        while following is not None and (beyond is None or following < beyond):
            yield self.where(following)
            following = self.next_move(following)

    def _pass(self, t_s: float) -> tuple[float, float]:
        """Give when the pass at t began and how far into it t is.

        An instant a hair before a move counts as the move's.
        """
        t_s += _HAIR_S
        begun_s = self.length_s * (t_s // self.length_s) if self.loop else 0.0
        return begun_s, t_s - begun_s


def _places(stops: tuple[Stop, ...]) -> Iterator[Place]:
    t_s = 0.0
    for number, stop in enumerate(stops):
        if stop.in_air_s:
            yield Place(None, t_s, stop=number)
        poured_s = t_s + stop.in_air_s
        yield Place(stop.water, poured_s, poured_s, stop.flowing, number)
        if stop.redip is not None:
            lifted_s = poured_s + stop.redip.after_s
            yield Place(None, lifted_s, stop=number)
            back_s = lifted_s + stop.redip.out_s
            yield Place(stop.water, back_s, poured_s, stop.flowing, number)
        t_s = poured_s + stop.dwell_s


class _File(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    title: Annotated[str, Field(max_length=120)] = ""
    loop: bool = False
    stop: Annotated[tuple[Stop, ...], Field(min_length=1, max_length=1000)]


def load_script(path: Path, waters: Collection[str] | None = None) -> Script:
    """Read a script, `[[stop]]` each; ConfigError names file, key, what was found and is allowed.

    `waters` are the names a stop may use: those of the household unless given.
    """
    known = load_waters(HOUSEHOLD) if waters is None else waters
    whole = read_table(path, _File)
    for number, stop in enumerate(whole.stop):
        if stop.water not in known:
            raise ConfigError(
                "unknown water",
                file=path,
                key=f"stop[{number}].water",
                found=stop.water,
                allowed=", ".join(known),
            )
    return Script(whole.stop, title=whole.title, loop=whole.loop)


def find_script(named: str | Path) -> Script:
    """Give the script of that name, or the one in that file."""
    path = SCRIPTS.get(str(named), Path(named))
    if path not in SCRIPTS.values() and not path.is_file():
        raise ConfigError(
            "no such script", found=str(named), allowed=f"a TOML file or {', '.join(SCRIPTS)}"
        )
    return load_script(path)
