"""`ouzel report`: a round as one HTML file that needs nothing else."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from acquire.cli.export import add_redaction
from acquire.cli.options import add_usual

if TYPE_CHECKING:
    from acquire.store.records import Records

__all__ = ["add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "report",
        help="write a round as one HTML file: the answer, the curves, the doubt",
        description="The file needs no network and no other file; a browser shows and prints it.",
    )
    parser.add_argument(
        "round",
        nargs="?",
        default="last",
        metavar="ROUND",
        help="id of a round, or its beginning (default: the last one)",
    )
    parser.add_argument(
        "--out", metavar="FILE", help="where to, `-` for standard output (default: round-ID.html)"
    )
    parser.add_argument("--open", action="store_true", help="show it in the browser")
    add_redaction(parser)
    add_usual(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    import json
    import sys
    from pathlib import Path

    from acquire.cli.options import load_config, store_path
    from acquire.cli.progress import progress, stoppable
    from acquire.clock import SystemClock
    from acquire.errors import ConfigError
    from acquire.paths import expand
    from acquire.report.files import whole_file
    from acquire.report.gather import Bench
    from acquire.report.html import report_html, round_meant
    from acquire.report.redact import redaction_of
    from acquire.store.records import Records

    if args.open and args.out == "-":
        raise ConfigError("--open needs a file: leave out `--out -`")
    if args.json and args.out == "-":
        raise ConfigError("the report itself goes to standard output: --json needs a file")
    config = load_config(args)
    bench = Bench(config.quantities, config.settler, config.tolerance)
    with stoppable(), Records.open(store_path(args, config)) as records, progress() as show:
        visit = round_meant(records, args.round)
        redaction = redaction_of(
            records,
            hide_places=args.redact,
            number_waters=args.number_waters,
            more_waters=_more_waters(records) if args.number_waters else (),
            heard=lambda: show("looking at the waters"),
        )
        now_ms = SystemClock().now().at_ms
        pieces = report_html(
            records, visit.id, bench, now_ms=now_ms, redaction=redaction, heard=show
        )
        if args.out == "-":
            sys.stdout.writelines(pieces)
            return 0
        out = expand(args.out) if args.out else Path(f"round-{visit.id}.html")
        with whole_file(out) as part, part.open("w", encoding="utf-8", newline="\n") as file:
            file.writelines(pieces)
    print(json.dumps({"is": "report", "round": visit.id, "file": str(out)}) if args.json else out)
    if args.open:
        _show(out.absolute().as_uri())
    return 0


def _show(address: str) -> None:
    import sys
    import webbrowser

    if not webbrowser.open(address):
        print(f"no browser could be started: open {address}", file=sys.stderr)


def _more_waters(records: Records) -> list[str]:
    """Give names of waters that no capture has: of counts, and of stops."""
    return [
        *(count.water for count in records.counts()),
        *(stop.water for one in records.rounds() for stop in one.stops),
    ]
