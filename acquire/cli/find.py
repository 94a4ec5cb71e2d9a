"""`ouzel find`: what meters could be connected to."""

from __future__ import annotations

import argparse

from acquire.cli.options import add_json

__all__ = ["add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser("find", help="list the ports a meter may be on")
    add_json(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    import json
    from dataclasses import asdict

    from acquire.registry import load

    ports = load("drivers.ports:serial_ports")()
    if args.json:
        print(json.dumps([asdict(port) for port in ports], indent=2))
        return 0
    if not ports:
        print("No serial ports. Plug the meter in; a USB meter appears within a second or two.")
        print("A meter behind a network box: use its URL, such as socket://192.0.2.7:4001.")
        return 0
    # A built-in port is there on every machine and mostly leads nowhere: last.
    ports.sort(key=lambda port: port.vid is None)
    for port in ports:
        print(f"{port.identity}  [{port.state}]")
        print(f"    {port.description or 'no description'}, now at {port.device}")
        if port.advice:
            print(f"    {port.advice}")
    usable = next((port for port in ports if port.state == "free" and port.vid is not None), None)
    if usable is None:
        print("\nNo free USB meter among them: plug it in and run this again.")
    else:
        print("\nTo read the first free one now:")
        print(f"    ouzel read --port {usable.identity} --profile labelled")
        print("or put it into ouzel.toml:")
        print(f'    [meters.kitchen]\n    profile = "labelled"\n    port = "{usable.identity}"')
    return 0
