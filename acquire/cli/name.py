"""`ouzel name`: correct what a stored capture's water is called, or what it was to the round."""

from __future__ import annotations

import argparse

from acquire.cli.options import add_usual

__all__ = ["add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "name",
        help="correct the water's name or role of a stored capture",
        description="The numbers stay as they are, and the earlier name stays in the history.",
    )
    parser.add_argument("capture", metavar="CAPTURE", help="its id, as printed when it was stored")
    parser.add_argument("--water", metavar="NAME", help="what the water is called")
    parser.add_argument(
        "--role",
        choices=("reference", "subject", "rinse", "solution"),
        help="what it is to the comparison",
    )
    add_usual(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    from dataclasses import replace

    from acquire.cli.keeping import have_kept
    from acquire.cli.options import load_config, store_path
    from acquire.errands import Naming
    from acquire.errors import ConfigError
    from acquire.outlets.as_json import json_line
    from acquire.outlets.words import capture_title
    from acquire.readings import Role
    from acquire.store.records import Records
    from acquire.store.writer import StoreWriter

    if args.water is None and args.role is None:
        raise ConfigError("nothing to change: say --water, --role or both")
    store = store_path(args, load_config(args))
    with Records.open(store) as records:
        before = records.capture(args.capture)
    if before is None:
        raise ConfigError("no such capture", file=store, found=args.capture)
    named = replace(
        before,
        water=before.water if args.water is None else args.water,
        role=before.role if args.role is None else Role(args.role),
    )

    async def work(writer: StoreWriter) -> None:
        await writer.keep(named)

    have_kept(store, Naming(before.id, named.water, named.role), work)
    if args.json:
        print(json_line(named))
    else:
        print(f"was:    {capture_title(before)}\nis now: {capture_title(named)}")
    return 0
