"""`ouzel compare`: what differs between two waters beyond what the probe can tell."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from acquire.cli.options import add_usual
from acquire.errors import ConfigError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from acquire.quantities import Quantity

__all__ = ["add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "compare",
        help="what differs between two waters beyond what the probe can tell",
        description="A and B are a water (its latest captures), the id of a capture, the id of a "
        "round, last (the latest round), or WATER@ROUND. One round alone: its reference against "
        "each of its subjects.",
    )
    parser.add_argument("first", metavar="A", help="the reference, or a round")
    parser.add_argument("second", metavar="B", nargs="?", help="the subject")
    parser.add_argument(
        "--matters",
        action="append",
        default=[],
        metavar="QUANTITY=SIZE",
        help="a difference that matters to you, such as ph=0.2 (default: five settling tolerances)",
    )
    parser.add_argument(
        "--explain", action="store_true", help="with the uncertainty budget of every difference"
    )
    add_usual(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    import json

    from acquire.bench.chosen import compare_stored
    from acquire.cli.options import load_config, store_path
    from acquire.outlets.budget import budget_table
    from acquire.outlets.comparison_json import comparison_json
    from acquire.outlets.comparison_words import comparison_lines
    from acquire.store.records import Records

    config = load_config(args)
    quantities = config.quantities
    matters = _matters(args.matters, quantities)
    with Records.open(store_path(args, config)) as records:
        found = compare_stored(
            records, args.first, args.second, quantities=quantities, matters=matters
        )
    if args.json:
        said = [comparison_json(one, quantities) for one in found]
        whole = {"is": "comparisons", "comparisons": said}
        print(json.dumps(whole, allow_nan=False, indent=2))
        return 0
    for number, one in enumerate(found):
        if number:
            print()
        print(*comparison_lines(one, quantities), sep="\n")
        for row in one.rows if args.explain else ():
            if row.budget is not None:
                quantity = quantities[row.quantity]
                print(f"\n{quantity.label}: subject minus reference")
                print(*budget_table(row.budget, quantity), sep="\n")
    return 0


def _matters(said: Sequence[str], quantities: Mapping[str, Quantity]) -> dict[str, float]:
    found = {}
    for text in said:
        name, _, size = text.partition("=")
        try:
            number = float(size.replace(",", "."))
        except ValueError:
            number = -1.0
        if name not in quantities or not 0 < number < 1e9:
            raise ConfigError(
                "not a difference that matters", key="--matters", found=text,
                allowed=f"ph=0.2; quantities: {', '.join(quantities)}",
            )  # fmt: skip
        found[name] = number
    return found
