"""`ouzel serve`: the daemon: reads every configured meter, records, takes captures."""

from __future__ import annotations

import argparse
import sys

from acquire.cli.options import add_clock, add_config, add_json, add_store

__all__ = ["add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "serve",
        help="run the daemon: read all configured meters, record, take captures",
        description="Runs until Ctrl-C or SIGTERM. Prints captures and events, a line each.",
    )
    parser.add_argument("--live", action="store_true", help="show the live table as well")
    add_json(parser)
    add_store(parser)
    add_config(parser)
    add_clock(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    from acquire.cli.options import load_config, make_clock, store_path
    from acquire.cli.outlets import configured_outlets
    from acquire.cli.run_daemon import run_daemon, wants_live
    from acquire.errors import ConfigError
    from acquire.outlets.lines import JsonLines, PlainLines
    from acquire.outlets.live import LiveTable
    from acquire.outlets.words import tidy

    config = load_config(args)
    if not config.meters:
        raise ConfigError(
            "no meter is configured: `ouzel find` lists the ports and what to write",
            file=config.file or "ouzel.toml",
            key="meters",
        )
    store = store_path(args, config)
    show: JsonLines | LiveTable | PlainLines
    if args.json:
        show = JsonLines(readings=False, statuses=False)
    elif args.live and wants_live(json=False):
        show = LiveTable(config.quantities)
    else:
        show = PlainLines(config.quantities, every_s=30.0 if args.live else None)

    async def ready() -> None:
        names = ", ".join(config.meters)
        print(f"ouzel: reading {names}; recording to {store}", file=sys.stderr, flush=True)
        if config.bench.stops:
            waters = ", ".join(tidy(stop.water) for stop in config.bench.stops)
            print(f"ouzel: the waters, in this order: {waters}", file=sys.stderr, flush=True)

    clock = make_clock(args)
    run_daemon(
        config,
        list(config.meters.values()),
        clock,
        show,
        store=store,
        ready=ready,
        outlets=configured_outlets(config, clock),
        must_show=False,
        keeps_on=True,
    )
    return 0
