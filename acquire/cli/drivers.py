"""`ouzel drivers`: every driver there is, where it came from, and which of them are broken."""

from __future__ import annotations

import argparse

from acquire.cli.options import add_json

__all__ = ["add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "drivers",
        help="list the drivers there are and where each came from",
        description="Loads every driver, built in or from another package; opens no port.",
    )
    add_json(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    import json
    from dataclasses import asdict

    from acquire.outlets.words import tidy
    from acquire.registry import all_drivers

    found = all_drivers()
    if args.json:
        print(json.dumps([asdict(driver) for driver in found], indent=2))
        return 0
    # Names and errors of other packages are as hostile as any other input.
    names = [tidy(driver.name, 30) for driver in found]
    wide = max(map(len, names))
    for name, driver in zip(names, found, strict=True):
        print(f"{name:<{wide}}  {tidy(driver.origin, 40)}")
        if driver.about:
            print(f"{'':<{wide}}  {tidy(driver.about, 100)}")
        if driver.error:
            print(f"{'':<{wide}}  BROKEN: {tidy(driver.error, 300)}")
    broken = [name for name, driver in zip(names, found, strict=True) if driver.error]
    if broken:
        print(f"\nCannot be used: {', '.join(broken)}. Everything else works.")
    return 0
