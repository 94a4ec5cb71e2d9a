"""`ouzel capture`: leave the probe in a sample; one settled capture is taken and stored."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from acquire.cli.options import add_clock, add_meter, add_usual, positive

if TYPE_CHECKING:
    from pathlib import Path

    from acquire.config import Config, MeterConfig

__all__ = ["add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "capture",
        help="wait until the numbers have settled, store them once, and end",
        description="Put the probe into the water and leave it. Rings when the capture is stored.",
    )
    add_meter(parser)
    parser.add_argument("--water", default="", metavar="NAME", help="what this water is called")
    parser.add_argument(
        "--role",
        choices=("reference", "subject", "rinse", "solution"),
        help="what it is to the comparison (default: none)",
    )
    parser.add_argument(
        "--timeout", type=positive, metavar="SECONDS", help="give up then (default: 900)"
    )
    parser.add_argument(
        "--explain", action="store_true", help="draw how each quantity came to rest, and why then"
    )
    add_usual(parser)
    add_clock(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    import json

    from acquire.cli.options import load_config, make_clock, one_meter, store_path
    from acquire.cli.run_daemon import wants_live
    from acquire.cli.take_one import take_one
    from acquire.outlets.as_json import json_line
    from acquire.outlets.words import CAUTION
    from acquire.readings import Role

    config = load_config(args)
    store, meter = store_path(args, config), one_meter(args, config)
    followed = _follow(args, config, store, meter)
    if followed is not None:
        return followed
    taken = take_one(
        config,
        meter,
        make_clock(args),
        store=store,
        stop=(args.water, Role(args.role) if args.role else None),
        timeout_s=args.timeout,
        json=args.json,
    )
    if taken.record is not None and args.json:
        print(json.dumps(taken.as_json(explain=args.explain), allow_nan=False))
        if args.explain:
            print(*(json_line(item) for item in taken.explanations), sep="\n")
    for line in taken.lines(config, explain=args.explain, live=wants_live(json=args.json)):
        if not args.json:
            print(line)
    final = taken.final()
    if not args.json:
        print(f"Stored as {final.id} in {store}\n{CAUTION}")
    return 0


def _follow(
    args: argparse.Namespace, config: Config, store: Path, meter: MeterConfig
) -> int | None:
    """Have the ouzel take it that owns the port; None where there is none."""
    from acquire.cli.follow_capture import follow_capture
    from acquire.cli.running import already_reading

    if args.replay is not None or args.by_hand or meter.driver == "by_hand":
        return None
    found = already_reading(store, meter, is_named=not args.port)
    return None if found is None else follow_capture(args, config, *found)
