"""`ouzel read`: look at a meter live; nothing is stored."""

from __future__ import annotations

import argparse

from acquire.cli.options import add_clock, add_config, add_json, add_meter, positive

__all__ = ["add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "read",
        help="show a meter's readings live, with how settled they are",
        description="Shows readings live; stores nothing. Plain lines when not on a terminal.",
    )
    add_meter(parser)
    parser.add_argument("--for", type=positive, dest="for_s", metavar="SECONDS", help="stop then")
    add_json(parser)
    add_config(parser)
    add_clock(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    from acquire.cli.options import load_config, make_clock, one_meter
    from acquire.cli.run_daemon import run_daemon, wants_live
    from acquire.outlets.terminal import JsonLines, LiveTable, PlainLines

    config = load_config(args)
    meter = one_meter(args, config)
    show: JsonLines | LiveTable | PlainLines
    if args.json:
        show = JsonLines(readings=True, statuses=False)
    elif wants_live(json=args.json):
        show = LiveTable(config.quantities)
    else:
        show = PlainLines(config.quantities, every_s=1.0)
    run_daemon(config, [meter], make_clock(args), show, store=None, for_s=args.for_s)
    return 0
