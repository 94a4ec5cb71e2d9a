"""`ouzel read`: look at a meter live; nothing is stored."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, Any

from acquire.cli.options import add_clock, add_config, add_json, add_meter, positive

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

    from acquire.clock import Clock
    from acquire.config import Config, MeterConfig
    from acquire.daemon import Said

__all__ = ["add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "read",
        help="show a meter's readings live, with how settled they are",
        description="Shows readings live; stores nothing. Plain lines when not on a terminal.",
    )
    add_meter(parser)
    parser.add_argument("--for", type=positive, dest="for_s", metavar="SECONDS", help="stop then")
    parser.add_argument(
        "--record", metavar="FILE", help="write down every byte that comes and goes, with its time"
    )
    add_json(parser)
    add_config(parser)
    add_clock(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    from acquire.cli.options import load_config, make_clock, one_meter
    from acquire.cli.run_daemon import is_over, run_daemon, wants_live
    from acquire.errors import MeterUnavailable
    from acquire.outlets.lines import JsonLines, PlainLines
    from acquire.outlets.live import LiveTable
    from acquire.readings import Event, Reading

    config = load_config(args)
    meter = one_meter(args, config)
    show: JsonLines | LiveTable | PlainLines
    if args.json:
        show = JsonLines(readings=True, statuses=False)
    elif wants_live(json=args.json):
        show = LiveTable(config.quantities)
    else:
        show = PlainLines(config.quantities, every_s=1.0)
    if args.record is None and _follow(args, config, meter, show):
        return 0
    clock = make_clock(args)
    spoke = False
    problem = ""

    def until(said: Said) -> bool:
        nonlocal spoke, problem
        spoke = spoke or isinstance(said, Reading)
        if isinstance(said, Event):
            problem = said.text
        return is_over(said)

    with _recorder(args.record, meter, clock) as recorder:
        ended = run_daemon(config, [meter], clock, show, store=None, until=until, for_s=args.for_s)
    if recorder is not None:
        print(f"Recorded {recorder.bytes_heard} bytes in {args.record}", file=sys.stderr)
        if not recorder.bytes_heard:
            print("Nothing came, or this kind of meter has no line to record.", file=sys.stderr)
    if not spoke and ended == "signal":
        raise KeyboardInterrupt
    if not spoke:
        raise MeterUnavailable(problem or "nothing was heard: is the meter switched on?")
    return 0


def _follow(args: argparse.Namespace, config: Config, meter: MeterConfig, show: Any) -> bool:
    """Show what the ouzel says that owns the port, if there is one; tells whether."""
    from acquire.cli.running import already_reading

    if args.replay is not None or args.by_hand:
        return False
    found = already_reading(config.store.path, meter, is_named=not args.port)
    if found is None:
        return False
    other, name = found
    print(f"ouzel: the ouzel at {other.url} reads {name}: this is what it says", file=sys.stderr)
    with show as screen:
        for said in other.listen(name, for_s=args.for_s):
            screen.hear(said)
    return True


def _recorder(file: str | None, meter: MeterConfig, clock: Clock) -> AbstractContextManager[Any]:
    from contextlib import nullcontext
    from pathlib import Path

    from acquire.registry import load

    if file is None:
        return nullcontext()
    recorder: AbstractContextManager[Any] = load("drivers.recording:Recorder")(
        Path(file).expanduser(),
        clock,
        driver=meter.driver,
        profile=str(getattr(meter.settings, "profile", "")),
        tell=lambda text: print(f"ouzel: {text}", file=sys.stderr),
    )
    return recorder
