"""`ouzel demo`: the whole job on a simulated probe: a round, a comparison, a report."""

from __future__ import annotations

import argparse

from acquire.cli.options import positive

__all__ = ["add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "demo",
        help="see the whole job on a simulated probe, in under a minute",
        description=(
            "A simulated probe in a process of its own, a hand that moves it through four waters, "
            "a round in another process that reads it through a serial port, and its report."
        ),
    )
    parser.add_argument("--into", default="demo-output", metavar="FOLDER", help="where files go")
    parser.add_argument("--seed", type=int, default=20, help="another seed, other noise")
    parser.add_argument("--speed", type=positive, default=60.0, metavar="N", help="times real time")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    from acquire.demo import run_demo

    return run_demo(args.into, seed=args.seed, speed=args.speed)
