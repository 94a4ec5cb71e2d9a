"""A simulated Bluetooth meter at work, for any program on this Linux machine."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from acquire.clock import Clock
from simulators.ble_speech import ble_meter, speak
from simulators.bluez import BlueZ
from simulators.hand import Script
from simulators.private_bus import PrivateBus
from simulators.probe import InAir
from simulators.run import Rig, check_rate, plan_of
from simulators.waters import load_waters

__all__ = ["run_ble"]


async def run_ble(
    *,
    clock: Clock,
    seed: object = 0,
    dialect: str = "packed",
    script: Script | str | Path | None = None,
    water: str | None = None,
    rate_hz: float = 1.0,
    address: str = "C0:FF:EE:00:00:01",
    once: bool = False,
    in_air: InAir = "live",
    on_ready: Callable[[str, str], None] | None = None,
    on_move: Callable[[str], None] | None = None,
) -> None:
    """Keep a simulated meter in the air until cancelled, or once through its script.

    As `simulators.run.run`, with a Bluetooth dialect. The air is a make-believe BlueZ on a D-Bus
    daemon of its own: `on_ready` is told what to put into DBUS_SYSTEM_BUS_ADDRESS, and the address
    of the meter. MeterUnavailable where there is no dbus-daemon.
    """
    meter = ble_meter(dialect, address)
    check_rate(rate_hz)
    waters = load_waters()
    plan = plan_of(script, water, waters)
    async with PrivateBus() as bus, BlueZ(bus.address) as bluez:
        bluez.add(meter.peripheral)
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
            on_ready(bus.address, address)
        talk = speak(meter, rig.shows(clock), clock=clock, rate_hz=rate_hz)
        await rig.play(talk, clock, once=once)
