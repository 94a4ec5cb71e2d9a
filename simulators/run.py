"""A simulated meter at work: a hand moves the probe, the front says what the display shows."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Coroutine, Hashable, Iterable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from acquire.clock import Clock
from acquire.errors import ConfigError
from simulators.display import Shown
from simulators.hand import Script, find_script
from simulators.probe import InAir, Probe
from simulators.pty_front import PtyFront
from simulators.speech import LineFaults, find_dialect, speak
from simulators.traits import Bias
from simulators.waters import Water, load_waters

__all__ = ["Rig", "check_rate", "plan_of", "rigs_of", "run"]

Name = TypeVar("Name", bound=Hashable)
"""What a probe goes by on a wire of several: a number, an address."""


class Rig:
    """A probe and the hand that moves it, brought up to any instant of one clock."""

    def __init__(
        self,
        probe: Probe,
        script: Script,
        waters: Mapping[str, Water],
        *,
        start_s: float,
        on_move: Callable[[str], None] | None = None,
    ) -> None:
        self.probe = probe
        self.script = script
        self._waters = waters
        self._start_s = start_s
        self._done_s = -1.0  # of the script: everything up to here has been moved
        self._on_move = on_move

    @classmethod
    def drawn(
        cls,
        seed: object,
        script: Script,
        waters: Mapping[str, Water],
        *,
        start_s: float,
        rate_hz: float = 1.0,
        in_air: InAir = "live",
        on_move: Callable[[str], None] | None = None,
    ) -> Rig:
        """Make a rig whose instrument has the bias and the noise of the seed."""
        probe = Probe(
            seed, start_s=start_s, period_s=1.0 / rate_hz, bias=Bias.drawn(seed), in_air=in_air
        )
        return cls(probe, script, waters, start_s=start_s, on_move=on_move)

    def advance(self, t_s: float) -> None:
        """Make every move due by t, each at its own instant, and tell of it."""
        until_s = t_s - self._start_s
        if until_s <= self._done_s:
            return
        moves = self.script.moves(self._done_s, until_s)
        self._done_s = until_s
        for place in moves:
            poured_s = None if place.poured_s is None else place.poured_s + self._start_s
            water = None if place.water is None else self._waters[place.water]
            at_s = place.since_s + self._start_s
            self.probe.move_to(water, at_s, poured_s=poured_s, flowing=place.flowing)
            if self._on_move is not None:
                self._on_move(place.name)

    def display(self, t_s: float) -> Shown:
        """Give what the display shows at t, all moves made."""
        self.advance(t_s)
        return self.probe.display(t_s)

    def shows(self, clock: Clock) -> Callable[[], Shown]:
        """Give a function that says what the display shows now."""
        return lambda: self.display(clock.now().t_s)

    async def play(
        self, talk: Coroutine[Any, Any, None], clock: Clock, *, once: bool = False
    ) -> None:
        """Let the meter talk while the probe is moved; with `once` it ends with the script."""
        async with asyncio.TaskGroup() as group:
            talking = group.create_task(talk, name="simulated meter")
            await self.follow(clock, once=once)
            if once and math.isfinite(self.script.length_s):  # one water, never left, has no end
                talking.cancel()

    async def follow(self, clock: Clock, *, once: bool = False) -> None:
        """Make the moves as they fall due; returns when there are no more, or after one pass."""
        end_s = self.script.length_s if once else math.inf
        while True:
            now_s = clock.now().t_s - self._start_s
            self.advance(now_s + self._start_s)
            following = self.script.next_move(now_s)
            if following is None or now_s >= end_s:
                return
            await clock.sleep(following - now_s)


async def run(
    *,
    clock: Clock,
    seed: object = 0,
    dialect: str = "labelled",
    script: Script | str | Path | None = None,
    water: str | None = None,
    rate_hz: float = 1.0,
    link: Path | None = None,
    once: bool = False,
    in_air: InAir = "live",
    faults: LineFaults = LineFaults(),  # noqa: B008  (frozen)
    on_ready: Callable[[str], None] | None = None,
    on_move: Callable[[str], None] | None = None,
) -> None:
    """Keep a simulated meter on a pseudo-terminal until cancelled, or once through its script.

    `script` is a script, its name or its file; `water` instead leaves the probe in one water; with
    neither it is the household's. `on_ready` is told what to open, `on_move` where the probe comes
    to ("air" or the water's name). However it ends, the port is closed and the link removed.
    ConfigError says what cannot be used before anything is opened.
    """
    speech = find_dialect(dialect)
    check_rate(rate_hz)
    waters = load_waters()
    plan = plan_of(script, water, waters)
    async with PtyFront(link) as front:
        rig = Rig.drawn(
            seed,
            plan,
            waters,
            start_s=clock.now().t_s,
            rate_hz=rate_hz,
            in_air=in_air,
            on_move=on_move,
        )
        if on_ready is not None:
            on_ready(front.path)
        talk = speak(
            front,
            speech,
            rig.shows(clock),
            clock=clock,
            rate_hz=rate_hz,
            faults=faults,
            seed=seed,
        )
        await rig.play(talk, clock, once=once)


def rigs_of(
    names: Iterable[Name],
    seed: object,
    plan: Script,
    waters: Mapping[str, Water],
    *,
    start_s: float,
    rate_hz: float,
    in_air: InAir,
    on_move: Callable[[str], None] | None,
) -> dict[Name, Rig]:
    """Make a rig for each name, all moved together.

    The first has the bias and the noise of the seed, the others their own; only the first tells of
    its moves.
    """
    return {
        name: Rig.drawn(
            f"{seed}/{name}" if place else seed,
            plan,
            waters,
            start_s=start_s,
            rate_hz=rate_hz,
            in_air=in_air,
            on_move=None if place else on_move,
        )
        for place, name in enumerate(names)
    }


def check_rate(rate_hz: float) -> None:
    """ConfigError when no meter updates that often, or that seldom."""
    if not 0.01 <= rate_hz <= 50.0:
        raise ConfigError("no meter has this rate", found=rate_hz, allowed="0.01 to 50 Hz")


def plan_of(
    script: Script | str | Path | None, water: str | None, waters: Mapping[str, Water]
) -> Script:
    """Give the script that is meant: named, in a file, one water for ever, or the household's."""
    if script is not None and water is not None:
        raise ConfigError("a script and a water at once", allowed="one of them")
    if water is not None:
        if water not in waters:
            raise ConfigError("unknown water", found=water, allowed=", ".join(waters))
        return Script.still(water)
    if isinstance(script, Script):
        return script
    return find_script("household" if script is None else script)
