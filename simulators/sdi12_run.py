"""Simulated SDI-12 sensors at work: one hand moves all the probes of a wire."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from acquire.clock import Clock
from acquire.errors import ConfigError
from drivers.codecs.sdi12 import is_address
from simulators.hand import Script
from simulators.probe import InAir
from simulators.pty_front import PtyFront
from simulators.run import check_rate, plan_of, rigs_of
from simulators.sdi12_front import Sdi12Faults, Sdi12Front
from simulators.sdi12_sensor import Sdi12Sensor
from simulators.waters import load_waters

__all__ = ["run_sdi12"]


async def run_sdi12(
    *,
    clock: Clock,
    seed: object = 0,
    addresses: str = "0",
    takes_s: float = 0.5,
    script: Script | str | Path | None = None,
    water: str | None = None,
    rate_hz: float = 1.0,
    link: Path | None = None,
    once: bool = False,
    in_air: InAir = "live",
    faults: Sdi12Faults = Sdi12Faults(),  # noqa: B008  (frozen)
    on_ready: Callable[[str], None] | None = None,
    on_move: Callable[[str], None] | None = None,
) -> None:
    """Keep simulated SDI-12 sensors on a wire until cancelled, or once through their script.

    As `simulators.run.run`, behind a transparent adapter on a pseudo-terminal (8N1). `addresses`
    holds a character for each sensor: all probes are moved together, and each but the first has
    noise and bias of its own. `takes_s` is how long a measurement takes, `rate_hz` how often the
    probe itself looks. `on_move` is told of the moves once, not for each probe.
    """
    if not addresses or len(set(addresses)) < len(addresses) or not all(map(is_address, addresses)):
        raise ConfigError(
            "no such addresses", found=addresses, allowed="0-9, A-Z, a-z, each once, at least one"
        )
    if not 0.0 <= takes_s <= 999.0:
        raise ConfigError("no measurement takes so long", found=takes_s, allowed="0 to 999 s")
    check_rate(rate_hz)
    waters = load_waters()
    plan = plan_of(script, water, waters)
    rigs = rigs_of(
        addresses,
        seed,
        plan,
        waters,
        start_s=clock.now().t_s,
        rate_hz=rate_hz,
        in_air=in_air,
        on_move=on_move,
    )
    sensors = [
        Sdi12Sensor(address, rig.shows(clock), takes_s=takes_s, serial=f"{place:07}")
        for place, (address, rig) in enumerate(rigs.items(), 1)
    ]
    async with PtyFront(link) as port:
        front = Sdi12Front(port, sensors, clock=clock, faults=faults, seed=seed)
        if on_ready is not None:
            on_ready(port.path)
        await rigs[addresses[0]].play(front.serve(), clock, once=once)
