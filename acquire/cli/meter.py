"""`ouzel meter`: how a meter stands by its checks."""

from __future__ import annotations

import argparse

from acquire.cli.options import add_usual

__all__ = ["add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "meter",
        help="how a meter stands by its checks: good until when, drift, slope, corrections",
    )
    parser.add_argument("name", metavar="NAME", help="a meter, as in the configuration")
    add_usual(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    import json
    import time

    from acquire.bench.meter_state import meter_state
    from acquire.cli.options import load_config, store_path
    from acquire.errors import ConfigError
    from acquire.outlets.check_json import state_json
    from acquire.outlets.check_words import state_lines
    from acquire.store.records import Records

    config = load_config(args)
    configured = config.meters.get(args.name)
    with Records.open(store_path(args, config)) as records:
        channels = records.channels(args.name)
        if configured is None and not channels:
            known = {*config.meters, *(series.meter for series in records.series())}
            raise ConfigError("no such meter", found=args.name, allowed=", ".join(sorted(known)))
        state = meter_state(
            args.name,
            records.checks(meter=args.name),
            records.corrections(meter=args.name),
            every_days=config.trusted_days(args.name),
            now_ms=time.time_ns() // 1_000_000,
        )
    if args.json:
        print(json.dumps(state_json(state), allow_nan=False, indent=2))
        return 0
    print(*state_lines(state, config.quantities), sep="\n")
    checked = {one.quantity for one in state.quantities}
    never = [
        config.quantities[c.quantity].label
        for c in channels.values()
        if c.is_required and c.quantity not in {*checked, "temperature"}
    ]
    if never:
        print(f"Never checked: {', '.join(never)}. `ouzel check --list` shows the solutions.")
    print(
        f"A passed check is trusted for {state.every_days} days (`check_every_days`; common "
        "practice, no source)."
    )
    return 0
