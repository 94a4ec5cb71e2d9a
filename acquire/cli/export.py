"""`ouzel export csv`: take readings, captures or events out of the store."""

from __future__ import annotations

import argparse

from acquire.cli.options import add_config, add_store
from acquire.errors import ConfigError, StoreError

__all__ = ["add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser("export", help="write readings or captures to a file")
    forms = parser.add_subparsers(metavar="FORM", required=True)
    csv = forms.add_parser("csv", help="comma-separated values, UTF-8, with a header line")
    csv.add_argument("what", choices=("readings", "captures", "events"))
    csv.add_argument("--out", metavar="FILE", help="where to (default: standard output)")
    csv.add_argument(
        "--since", metavar="TIME", help="ISO 8601, such as 2026-03-01 or 2026-03-01T08:00Z"
    )
    csv.add_argument("--until", metavar="TIME", help="ISO 8601, not included")
    add_store(csv)
    add_config(csv)
    csv.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    import sys
    from pathlib import Path

    from acquire.cli.options import load_config, store_path
    from acquire.store import export
    from acquire.store.records import Records

    write = getattr(export, f"write_{args.what}")
    since_ms, until_ms = _time(args.since, "--since"), _time(args.until, "--until")

    def progress(rows: int) -> None:
        if sys.stderr.isatty():
            print(f"\r{rows} rows", end="", file=sys.stderr, flush=True)

    with Records.open(store_path(args, load_config(args))) as records:
        if args.out is None:
            write(records, sys.stdout, since_ms=since_ms or 0, until_ms=until_ms)
            return 0
        out = Path(args.out)
        part = out.with_name(out.name + ".part")
        try:
            # Whole or not at all: an interrupted export leaves the earlier file as it was.
            with part.open("w", encoding="utf-8", newline="") as file:
                rows = write(
                    records, file, since_ms=since_ms or 0, until_ms=until_ms, progress=progress
                )
            part.replace(out)
        except OSError as error:
            raise StoreError(f"{out} cannot be written: {error.strerror}") from error
        finally:
            part.unlink(missing_ok=True)
    if sys.stderr.isatty():
        print(file=sys.stderr)
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
