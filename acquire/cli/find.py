"""`ouzel find`: what meters could be connected to."""

from __future__ import annotations

import argparse
from typing import Any

from acquire.cli.options import add_json, positive

__all__ = ["add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser("find", help="list where a meter may be: ports, Bluetooth")
    parser.add_argument(
        "--bluetooth",
        type=positive,
        metavar="SECONDS",
        help="listen for Bluetooth meters for so long (default: 5 where there is Bluetooth)",
    )
    parser.add_argument("--no-bluetooth", action="store_true", help="serial ports only")
    add_json(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    import json
    from dataclasses import asdict

    from acquire.registry import load

    ports = load("drivers.ports:serial_ports")()
    # A built-in port is there on every machine and mostly leads nowhere: last.
    ports.sort(key=lambda port: port.vid is None)
    if not args.json:
        _print_ports(ports)
    heard = None if args.no_bluetooth else _listen(args.bluetooth or 5.0, quiet=args.json)
    if args.json:
        found = {"ports": [asdict(port) for port in ports], "bluetooth": [], "problem": ""}
        if heard is not None:
            found["bluetooth"] = [asdict(device) for device in heard]
            found["problem"] = heard.problem
        print(json.dumps(found, indent=2))
    elif heard is not None:
        _print_devices(heard)
    return 0


def _listen(seconds: float, *, quiet: bool) -> Any:
    """Scan for Bluetooth meters, showing each as it is heard."""
    import asyncio
    import sys

    from acquire.registry import load

    def on_found(device: Any) -> None:
        if sys.stderr.isatty() and not quiet:
            print(f"\r  heard {device.address}", end="", file=sys.stderr, flush=True)

    if sys.stderr.isatty() and not quiet:
        print(f"Listening for Bluetooth meters for {seconds:g} s ...", file=sys.stderr)
    heard = asyncio.run(load("drivers.ble_link:scan")(seconds, on_found))
    if sys.stderr.isatty() and not quiet:
        print("\r", end="", file=sys.stderr)
    return heard


def _print_devices(heard: Any) -> None:
    from acquire.outlets.words import tidy

    if heard.problem:
        print(f"\nBluetooth: {tidy(heard.problem, 300)}")
    elif not len(heard):
        print("\nBluetooth: nothing heard. Is the meter awake, and not taken by a phone?")
    for device in heard:
        strength = "" if device.rssi is None else f", {device.rssi} dBm"
        print(f"\n{device.address}  {tidy(device.name) or '(no name)'}{strength}")
        if device.services:
            print(f"    {tidy(', '.join(device.services), 200)}")
        for line in device.advice.splitlines():
            print(f"    {line}")


def _print_ports(ports: Any) -> None:
    if not ports:
        print("No serial ports. Plug the meter in; a USB meter appears within a second or two.")
        print("A meter behind a network box: use its URL, such as socket://192.0.2.7:4001.")
        return
    for port in ports:
        print(f"{port.identity}  [{port.state}]")
        print(f"    {port.description or 'no description'}, now at {port.device}")
        if port.advice:
            print(f"    {port.advice}")
    usable = next((port for port in ports if port.state == "free" and port.vid is not None), None)
    if usable is None:
        print("\nNo free port of a USB meter among them: plug it in and run this again.")
    else:
        print("\nTo read the first free one now:")
        print(f"    ouzel read --port {usable.identity} --profile labelled")
        print("or put it into ouzel.toml:")
        print(f'    [meters.kitchen]\n    profile = "labelled"\n    port = "{usable.identity}"')
        print("A meter nobody described yet:")
        print(f"    ouzel learn {usable.identity}")
