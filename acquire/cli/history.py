"""`ouzel history`: one water over the months."""

from __future__ import annotations

import argparse

from acquire.cli.options import add_usual

__all__ = ["add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "history",
        help="one water over the months: chart, trend, change since last, checks beside it",
    )
    parser.add_argument("water", metavar="WATER", help="what the water is called")
    parser.add_argument(
        "--quantity", action="append", default=[], metavar="NAME", help="only this (may repeat)"
    )
    parser.add_argument("--since", metavar="DATE", help="leave out what is older: 2026-03-01")
    add_usual(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    import json
    from dataclasses import replace

    from acquire.bench.history import history
    from acquire.cli.options import load_config, store_path
    from acquire.errors import ConfigError
    from acquire.outlets.history_json import history_json
    from acquire.outlets.history_words import history_lines
    from acquire.quantities import find_quantity
    from acquire.store.records import Records

    config = load_config(args)
    wanted = [find_quantity(name, config.quantities).name for name in args.quantity]
    with Records.open(store_path(args, config)) as records:
        found = history(
            records, args.water, quantities=config.quantities, since_ms=_since(args.since)
        )
    if wanted:
        known = [q.quantity for q in found.quantities]
        if not set(wanted) & set(known):
            raise ConfigError(
                "never at rest in this water", key="--quantity", found=", ".join(wanted),
                allowed=", ".join(known) or "none: only particles were counted",
            )  # fmt: skip
        found = replace(
            found, quantities=tuple(q for q in found.quantities if q.quantity in wanted)
        )
    if args.json:
        print(json.dumps(history_json(found, config.quantities), allow_nan=False, indent=2))
    else:
        print(*history_lines(found, config.quantities), sep="\n")
    return 0


def _since(text: str | None) -> int:
    from datetime import datetime

    from acquire.errors import ConfigError

    if text is None:
        return 0
    try:
        return round(datetime.fromisoformat(text).timestamp() * 1000)
    except (ValueError, OverflowError):
        raise ConfigError(
            "not a date", key="--since", found=text, allowed="ISO 8601, such as 2026-03-01"
        ) from None
