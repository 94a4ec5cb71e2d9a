"""`ouzel capture`: leave the probe in a sample; one settled capture is taken and stored."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from acquire.cli.options import add_clock, add_config, add_json, add_meter, add_store, positive

if TYPE_CHECKING:
    from acquire.bench.standing import Status
    from acquire.daemon import Said

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
    add_json(parser)
    add_store(parser)
    add_config(parser)
    add_clock(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    import sys
    from collections import deque
    from dataclasses import replace

    from acquire.bench.standing import Explanation, Status
    from acquire.cli.options import load_config, make_clock, one_meter, store_path
    from acquire.cli.run_daemon import is_over, run_daemon, wants_live
    from acquire.errors import NotSettled
    from acquire.outlets.as_json import json_line
    from acquire.outlets.explain import explain_lines
    from acquire.outlets.terminal import LiveTable, PlainLines
    from acquire.outlets.words import CAUTION, capture_lines
    from acquire.readings import Capture, CaptureState, Reading, Role

    config = load_config(args)
    meter = one_meter(args, config)
    if args.timeout is not None:
        bench = config.bench.model_copy(update={"timeout_s": args.timeout})
        config = replace(config, bench=bench)
    taken: list[Capture] = []
    seen: list[Status] = []

    readings: deque[Reading] = deque(maxlen=20_000)
    explained: list[Explanation] = []

    def until(said: Said) -> bool:
        if isinstance(said, Status):
            seen[:] = [said]
        if isinstance(said, Reading):
            readings.append(said)
        if isinstance(said, Explanation):
            explained.append(said)
        if not isinstance(said, Capture):
            return is_over(said)
        taken.append(said)
        return said.state in {CaptureState.PROVISIONAL, CaptureState.UNSETTLED}

    live = wants_live(json=args.json)
    run_daemon(
        config,
        [meter],
        make_clock(args),
        LiveTable(config.quantities)
        if live
        else PlainLines(config.quantities, every_s=10.0, file=sys.stderr),
        store=store_path(args, config),
        stops=[(args.water, Role(args.role) if args.role else None)],
        until=until,
        # The probe may still be on its way to the water; then the taker's own time-out runs.
        for_s=2 * config.bench.timeout_s,
        closing="",
    )
    final = next((c for c in reversed(taken) if c.state is CaptureState.FINAL), None)
    record = final or (taken[-1] if taken else None)
    if record is not None and args.json:
        print(json_line(record))
        if args.explain:
            print(*(json_line(item) for item in explained), sep="\n")
    elif record is not None and args.explain:
        mine = next((e for e in reversed(explained) if e.capture_id == record.id), None)
        lines = explain_lines(record, mine, readings, config.quantities, config.tolerance)
        print(*lines, sep="\n")
    elif record is not None and not live:
        print(*capture_lines(record, config.quantities), sep="\n")
    if final is None:
        raise NotSettled(record.reason if record else _why_nothing(seen))
    if not args.json:
        print(f"Stored as {final.id} in {store_path(args, config)}\n{CAUTION}")
    return 0


def _why_nothing(seen: list[Status]) -> str:
    """Say what kept a capture from even beginning."""
    if not seen:
        return "stopped before the meter said anything"
    if seen[0].medium == "air":
        return "stopped while the probe was still in air: put it into the water"
    if seen[0].immersion == 0:
        return "stopped before it was certain that the probe is in water: give it more time"
    return "stopped before there was a capture"
