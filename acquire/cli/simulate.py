"""`ouzel simulate`: a made-up probe in a made-up household, on a port others can open."""

from __future__ import annotations

import argparse

from acquire.cli.options import add_clock, positive

__all__ = ["WIRES", "add_to", "run"]

WIRES = {
    "text_lines": ("simulators.run:run", "dialect", "labelled"),
    "modbus": ("simulators.modbus_run:run_modbus", "registers", "scaled"),
    "sdi12": ("simulators.sdi12_run:run_sdi12", "", "described_8n1"),
    "gatt": ("simulators.ble_run:run_ble", "dialect", "packed"),
}
"""Driver: what plays its meter, what it calls the dialect, and the usual one."""


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "simulate",
        help="a simulated probe on a port that other programs can open",
        description="Plays a probe, and a hand that moves it between waters. Ctrl-C ends it.",
    )
    parser.add_argument(
        "--wire", choices=tuple(WIRES), default="text_lines", help="the driver that is to read it"
    )
    parser.add_argument(
        "--dialect",
        metavar="NAME",
        help="how it talks: labelled, columns, polled; scaled, floats (modbus); packed, described "
        "(gatt). The profile of the same name reads it",
    )
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--water", metavar="NAME", help="stand in this one water for ever")
    where.add_argument(
        "--script", default="household", metavar="NAME|FILE", help="who moves it where, when"
    )
    parser.add_argument("--seed", type=int, default=1, help="same seed, same noise")
    parser.add_argument("--rate", type=positive, default=1.0, metavar="HZ", help="lines a second")
    parser.add_argument("--link", metavar="PATH", help="a stable name for the port")
    parser.add_argument("--once", action="store_true", help="end when the script has ended")
    add_clock(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    import asyncio
    import contextlib
    import sys
    from pathlib import Path

    from acquire.cli.options import make_clock
    from acquire.daemon import stop_on_signals
    from acquire.errors import ConfigError
    from acquire.registry import load

    target, word, usual = WIRES[args.wire]
    dialect = args.dialect or usual
    more = {word: dialect} if word else {}
    if args.wire != "gatt":  # Bluetooth has an address, not a port
        more["link"] = Path(args.link) if args.link else None
    elif args.link:
        raise ConfigError("--link names a port, and this wire has none")

    def ready(path: str, address: str = "") -> None:
        before = f"DBUS_SYSTEM_BUS_ADDRESS={path} " if address else ""
        link = args.link if args.link is None or "/" in args.link else f"./{args.link}"
        port = address or link or path
        driver = "" if args.wire == "text_lines" else f" --driver {args.wire}"
        print(f"The simulated probe is on {port}. Read it with", flush=True)
        print(f"    {before}ouzel read --port {port}{driver} --profile {dialect}", flush=True)

    if args.link and Path(args.link).exists():
        raise ConfigError(
            "something stands there already: another simulated probe? Name another --link",
            file=args.link,
        )
    if args.once and args.water:
        raise ConfigError("--once ends with a script, and --water has none")

    async def main() -> None:
        work = asyncio.ensure_future(
            load(target)(
                clock=make_clock(args),
                seed=args.seed,
                script=None if args.water else args.script,
                water=args.water,
                rate_hz=args.rate,
                once=args.once,
                on_ready=ready,
                on_move=lambda place: print(
                    f"the probe is in {place}", file=sys.stderr, flush=True
                ),
                **more,
            )
        )
        stop_on_signals(work.cancel)
        with contextlib.suppress(asyncio.CancelledError):
            await work

    asyncio.run(main())
    return 0
