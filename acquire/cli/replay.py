"""`ouzel replay`: look at exported readings again, and at how they were taken for settled."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from acquire.cli.options import add_config, add_json

if TYPE_CHECKING:
    from collections.abc import Sequence

    from acquire.config import Config
    from acquire.readings import Reading

__all__ = ["add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "replay",
        help="go through exported readings again",
        description=(
            "Reads a file made by `ouzel export csv readings` and takes its captures anew. "
            "--settle draws how each quantity came to rest, when it was captured and why."
        ),
    )
    parser.add_argument("file", metavar="FILE")
    parser.add_argument("--settle", action="store_true", help="draw the settling of each immersion")
    parser.add_argument("--preset", metavar="NAME", help="settle by this preset instead")
    add_json(parser)
    add_config(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    import itertools
    from dataclasses import replace
    from pathlib import Path

    from acquire.cli.options import load_config
    from acquire.config import check_preset
    from acquire.store.readback import read_csv

    config = load_config(args)
    if args.preset is not None:
        check_preset(args.preset, None, "--preset")
        bench = config.bench.model_copy(update={"preset": args.preset})
        config = replace(config, bench=bench)
    readings = list(read_csv(Path(args.file)))
    _require_known(args.file, readings, config)
    ordered = sorted(readings, key=lambda r: r.meter)
    for meter, mine in itertools.groupby(ordered, key=lambda r: r.meter):
        _take_again(meter, list(mine), config, json=args.json, draw=args.settle)
    return 0


def _require_known(file: str, readings: Sequence[Reading], config: Config) -> None:
    """Only of a quantity that the configuration knows is it known when it has settled."""
    from acquire.errors import ConfigError
    from acquire.validation import did_you_mean

    for quantity in dict.fromkeys(name for reading in readings for name in reading.values):
        if quantity not in config.quantities:
            raise ConfigError(
                f"unknown quantity{did_you_mean(quantity, config.quantities)}: "
                "describe it in the configuration",
                file=file,
                key="quantity",
                found=quantity,
                allowed=", ".join(config.quantities),
            )


def _take_again(
    meter: str, readings: Sequence[Reading], config: Config, *, json: bool, draw: bool
) -> None:
    """Take the captures of one meter again and show each as it ended."""
    import itertools
    import shutil

    from acquire.bench.taker import CaptureTaker
    from acquire.outlets.as_json import json_line
    from acquire.outlets.explain import explain_lines
    from acquire.outlets.words import capture_lines, event_line
    from acquire.readings import Capture, CaptureState
    from acquire.store.readback import channels_of

    numbers = itertools.count(1)
    taker = CaptureTaker(
        meter,
        channels_of(readings),
        config.settler,
        config.tolerance,
        new_id=lambda: f"replay-{next(numbers)}",
        timeout_s=config.bench.timeout_s,
    )
    explanations = {}
    width = min(shutil.get_terminal_size().columns - 2, 100)
    end = (taker.interrupt, readings[-1].stamp)
    for index, reading in enumerate([*readings, None]):
        news = taker.update(reading) if reading else end[0](end[1], "the file ended")
        for item in news:
            if json:
                print(json_line(item))
            elif not isinstance(item, Capture):
                print(event_line(item))
            elif not draw and item.state is not CaptureState.PROVISIONAL:
                print(*capture_lines(item, config.quantities), sep="\n")
            elif item.state is CaptureState.PROVISIONAL:
                explanations[item.id] = taker.explain(item)
            else:
                explanation = explanations.get(item.id) or taker.explain(item)
                seen = readings[: index + 1]
                print(
                    *explain_lines(
                        item, explanation, seen, config.quantities, config.tolerance, width=width
                    ),
                    "",
                    sep="\n",
                )
