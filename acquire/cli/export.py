"""`ouzel export csv`: take readings, captures or events out of the store."""

from __future__ import annotations

import argparse

from acquire.cli.options import add_config, add_store

__all__ = ["add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser("export", help="write readings or captures to a file")
    forms = parser.add_subparsers(metavar="FORM", required=True)
    csv = forms.add_parser("csv", help="comma-separated values, UTF-8, with a header line")
    csv.add_argument("what", choices=("readings", "captures"))
    csv.add_argument("--out", metavar="FILE", help="where to (default: standard output)")
    csv.add_argument("--since", metavar="TIME", help="ISO 8601, such as 2026-03-01 or …T08:00Z")
    csv.add_argument("--until", metavar="TIME", help="ISO 8601, not included")
    add_store(csv)
    add_config(csv)
    csv.set_defaults(run=run)
