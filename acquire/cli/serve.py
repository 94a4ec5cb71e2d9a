"""`ouzel serve`: the daemon: reads every configured meter, records, takes captures."""

from __future__ import annotations

import argparse
import sys

from acquire.cli.options import add_clock, add_usual

__all__ = ["add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "serve",
        help="run the daemon: read all configured meters, record, take captures",
        description="Runs until Ctrl-C or SIGTERM. Prints captures and events, a line each.",
    )
    parser.add_argument("--live", action="store_true", help="show the live table as well")
    add_usual(parser)
    add_clock(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    while _serve(args):
        print("ouzel: beginning anew with what was written", file=sys.stderr, flush=True)
    return 0


def _serve(args: argparse.Namespace) -> bool:
    """Work until stopped; tells whether to begin anew, because the page wrote a configuration."""
    import gc

    # What is loaded now stays: to look it through for garbage meanwhile finds none and takes long.
    gc.disable()
    from acquire.cli.options import load_config, make_clock, store_path
    from acquire.cli.outlets import configured_outlets, page_outlet
    from acquire.cli.run_daemon import run_daemon, wants_live
    from acquire.errors import ConfigError
    from acquire.outlets.lines import JsonLines, PlainLines
    from acquire.outlets.live import LiveTable
    from acquire.outlets.words import tidy

    config = load_config(args)
    clock, store = make_clock(args), store_path(args, config)
    is_anew = False

    def begin_anew() -> None:
        nonlocal is_anew
        is_anew = True

    page = page_outlet(config, clock, store, begin_anew)
    if not config.meters and page is None:
        raise ConfigError(
            "no meter is configured: `ouzel find` lists the ports and what to write",
            file=config.file or "ouzel.toml",
            key="meters",
        )
    show: JsonLines | LiveTable | PlainLines
    if args.json:
        show = JsonLines(readings=False, statuses=False)
    elif args.live and wants_live(json=False):
        show = LiveTable(config.quantities)
    else:
        show = PlainLines(config.quantities, every_s=30.0 if args.live else None)

    async def ready() -> None:
        gc.freeze()
        gc.enable()
        names = ", ".join(config.meters)
        what = f"reading {names}" if names else "no meter yet: the page helps to find one"
        print(f"ouzel: {what}; recording to {store}", file=sys.stderr, flush=True)
        if config.bench.stops:
            waters = ", ".join(tidy(stop.water) for stop in config.bench.stops)
            print(f"ouzel: the waters, in this order: {waters}", file=sys.stderr, flush=True)

    run_daemon(
        config,
        list(config.meters.values()),
        clock,
        show,
        store=store,
        ready=ready,
        # The page notes that it wrote a configuration: that is heard here.
        until=lambda _: is_anew,
        outlets=[*configured_outlets(config, clock), *([page] if page is not None else [])],
        must_show=False,
        keeps_on=True,
    )
    return is_anew
