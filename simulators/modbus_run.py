"""Simulated Modbus meters at work: one hand moves all the probes of a line."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Sequence
from pathlib import Path

from acquire.clock import Clock
from acquire.errors import ConfigError
from simulators.hand import Script
from simulators.modbus_front import ModbusFront, SimulatedDevice
from simulators.modbus_registers import REGISTER_MAPS
from simulators.probe import InAir
from simulators.run import check_rate, plan_of, rigs_of
from simulators.waters import load_waters

__all__ = ["run_modbus"]


async def run_modbus(
    *,
    clock: Clock,
    seed: object = 0,
    registers: str = "scaled",
    devices: Sequence[int] = (1,),
    script: Script | str | Path | None = None,
    water: str | None = None,
    rate_hz: float = 1.0,
    link: Path | None = None,
    tcp: tuple[str, int] | None = None,
    once: bool = False,
    in_air: InAir = "live",
    on_ready: Callable[[str], None] | None = None,
    on_move: Callable[[str], None] | None = None,
) -> None:
    """Keep simulated Modbus meters on a line until cancelled, or once through their script.

    As `simulators.run.run`, with `registers` (the name of a map, and of the profile that reads it)
    instead of a dialect, and `devices`, the numbers on the line: all probes are moved together, and
    each but the first has noise and bias of its own. `tcp` is a host and port to listen on instead
    of a pseudo-terminal. `on_move` is told of the moves once, not for each probe.
    """
    if registers not in REGISTER_MAPS:
        raise ConfigError("unknown register map", found=registers, allowed=", ".join(REGISTER_MAPS))
    check_rate(rate_hz)
    waters = load_waters()
    plan = plan_of(script, water, waters)
    rigs = rigs_of(
        devices,
        seed,
        plan,
        waters,
        start_s=clock.now().t_s,
        rate_hz=rate_hz,
        in_air=in_air,
        on_move=on_move,
    )
    meters = {
        number: SimulatedDevice(REGISTER_MAPS[registers], rig.shows(clock))
        for number, rig in rigs.items()
    }
    async with ModbusFront(meters, clock=clock, link=link, tcp=tcp) as front:
        if on_ready is not None:
            on_ready(front.path)
        await next(iter(rigs.values())).follow(clock, once=once)
        if not (once and math.isfinite(plan.length_s)):  # it stays where it is, and is still read
            await asyncio.Event().wait()
