"""`ouzel export`: take the record out of the store, as a workbook, a package of tables, or CSV."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from acquire.cli.options import add_usual
from acquire.errors import ConfigError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from acquire.quantities import Quantity
    from acquire.report.tables import Source
    from acquire.store.records import Records

__all__ = ["add_redaction", "add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "export",
        help="write the record to a workbook, a package of tables, or CSV",
        description="Say --xlsx FILE or --package FOLDER for the whole record, "
        "or `csv WHAT` for one table.",
    )
    kinds = parser.add_mutually_exclusive_group()
    kinds.add_argument("--xlsx", metavar="FILE", help="a workbook, a sheet a table")
    kinds.add_argument(
        "--package", metavar="FOLDER", help="CSV files with a datapackage.json that explains them"
    )
    parser.add_argument("--no-readings", action="store_true", help="leave every single reading out")
    parser.add_argument("--licence", default="", metavar="NAME", help="for --package: CC-BY-4.0 …")
    parser.add_argument("--title", default="Water record", help="what the record is called")
    add_redaction(parser)
    _add_span(parser)
    parser.set_defaults(run=run)
    forms = parser.add_subparsers(metavar="FORM")
    # Without defaults of its own, so that what was said before the word `csv` holds behind it too.
    csv = forms.add_parser(
        "csv",
        help="comma-separated values, UTF-8, with a header line",
        argument_default=argparse.SUPPRESS,
    )
    csv.add_argument("what", choices=("readings", "captures", "events"))
    csv.add_argument("--out", metavar="FILE", help="where to (default: standard output)")
    _add_span(csv)
    csv.set_defaults(run=run_csv)


def add_redaction(parser: argparse.ArgumentParser) -> None:
    """Add what leaves out whose and where."""
    group = parser.add_argument_group("sharing")
    group.add_argument(
        "--redact", action="store_true", help="leave out places (meters, plans) and notes"
    )
    group.add_argument(
        "--number-waters", action="store_true", help="call the waters water 1, water 2 …"
    )


def _add_span(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--since", metavar="TIME", help="ISO 8601, such as 2026-03-01 or 2026-03-01T08:00Z"
    )
    parser.add_argument("--until", metavar="TIME", help="ISO 8601, not included")
    add_usual(parser)


def run(args: argparse.Namespace) -> int:
    import sys

    from acquire.cli.options import load_config, store_path
    from acquire.cli.progress import progress, stoppable
    from acquire.clock import SystemClock
    from acquire.paths import expand
    from acquire.store.records import Records

    if args.xlsx is None and args.package is None:
        raise ConfigError(
            "say what to write", allowed="--xlsx FILE, --package FOLDER, or csv with what of it"
        )
    if args.licence and args.package is None:
        raise ConfigError("--licence goes with --package: a workbook has no place for it")
    config = load_config(args)
    with stoppable(), Records.open(store_path(args, config)) as records, progress() as show:
        source = _source(args, records, config.quantities, lambda: show("looking at the waters"))
        common = {
            "title": args.title,
            "now_ms": SystemClock().now().at_ms,
            "with_readings": not args.no_readings,
            "progress": lambda what, rows: show(f"{what}: {rows:,} rows"),
        }
        if args.xlsx is not None:
            from acquire.report.workbook import write_workbook

            out = expand(args.xlsx)
            written = write_workbook(source, out, **common)
        else:
            from acquire.report.package import write_package

            out = expand(args.package)
            written = write_package(source, out, licence=args.licence, **common)
    if args.json:
        _print_json(out, {name.lower(): rows for name, rows in written.items()})
        return 0
    said = ", ".join(f"{rows} {name.lower()}" for name, rows in written.items())
    print(f"{out}: {said}", file=sys.stderr)
    return 0


def _print_json(out: Path, rows: Mapping[str, int]) -> None:
    import json

    print(json.dumps({"is": "export", "file": str(out), "rows": dict(rows)}, indent=2))


def _source(
    args: argparse.Namespace,
    records: Records,
    quantities: Mapping[str, Quantity],
    heard: Callable[[], None],
) -> Source:
    from acquire.report.redact import redaction_of
    from acquire.report.tables import Source

    rounds, counts = records.rounds(), records.counts()
    redaction = redaction_of(
        records,
        hide_places=args.redact,
        number_waters=args.number_waters,
        more_waters=[*(c.water for c in counts), *(s.water for r in rounds for s in r.stops)],
        heard=heard,
    )
    since_ms = _time(args.since, "--since") or 0
    until_ms = _time(args.until, "--until")
    return Source(records, redaction, quantities, rounds, counts, since_ms, until_ms)


def run_csv(args: argparse.Namespace) -> int:
    import sys

    from acquire.cli.options import load_config, store_path
    from acquire.cli.progress import progress, stoppable
    from acquire.paths import expand
    from acquire.report.files import whole_file
    from acquire.store import export
    from acquire.store.records import Records

    if args.xlsx or args.package or args.redact or args.number_waters:
        raise ConfigError(
            "csv writes one table as it is", allowed="--xlsx or --package, which also redact"
        )
    if args.json and not getattr(args, "out", None):
        raise ConfigError(
            "the table itself goes to standard output", allowed="--json with --out FILE"
        )
    write = getattr(export, f"write_{args.what}")
    since_ms, until_ms = _time(args.since, "--since") or 0, _time(args.until, "--until")
    out: Path | None = expand(args.out) if getattr(args, "out", None) else None
    with stoppable(), Records.open(store_path(args, load_config(args))) as records:
        if out is None:
            write(records, sys.stdout, since_ms=since_ms, until_ms=until_ms)
            return 0
        # Whole or not at all: an interrupted export leaves the earlier file as it was.
        with (
            progress() as show,
            whole_file(out) as part,
            part.open("w", encoding="utf-8", newline="") as file,
        ):
            rows = write(
                records,
                file,
                since_ms=since_ms,
                until_ms=until_ms,
                progress=lambda count: show(f"{count:,} rows"),
            )
    if args.json:
        _print_json(out, {args.what: rows})
    else:
        print(f"{rows} rows in {out}", file=sys.stderr)
    return 0


def _time(text: str | None, option: str) -> int | None:
    """Read an ISO 8601 time as UTC milliseconds; without an offset it is local time."""
    from datetime import datetime

    if text is None:
        return None
    try:
        return round(datetime.fromisoformat(text).timestamp() * 1000)
    except (ValueError, OverflowError) as error:
        raise ConfigError(
            "not a time", key=option, found=text, allowed="ISO 8601, such as 2026-03-01T08:00"
        ) from error
