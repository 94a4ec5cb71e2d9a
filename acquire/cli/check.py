"""`ouzel check`: hold the meter against a solution of known value."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from acquire.cli.options import add_clock, add_meter, add_usual, positive
from acquire.errors import ConfigError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from acquire.checks import Check
    from acquire.cli.take_one import Taken
    from acquire.clock import Clock
    from acquire.config import Config
    from acquire.readings import Capture
    from acquire.water.solutions import Solution

__all__ = ["FAILED", "UNSURE", "add_to", "run"]

FAILED, UNSURE = 7, 8


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "check",
        help="hold the meter against a solution of known value",
        description="Put the probe into the solution and leave it. Captures as `ouzel capture` "
        "does, compares at the measured temperature, says pass, fail or cannot tell, and keeps it.",
    )
    parser.add_argument("solution", nargs="?", metavar="SOLUTION", help="a name from --list")
    parser.add_argument("--list", action="store_true", help="show the known solutions and end")
    parser.add_argument(
        "--capture", metavar="ID", help="judge this stored capture instead of taking one"
    )
    parser.add_argument(
        "--temperature",
        type=_celsius,
        metavar="C",
        help="the solution's temperature in °C, for a meter without a thermometer",
    )
    parser.add_argument("--opened", metavar="DATE", help="when the bottle was opened: 2026-03-01")
    parser.add_argument(
        "--timeout", type=positive, metavar="SECONDS", help="give up then (default: 900)"
    )
    parser.add_argument(
        "--explain", action="store_true", help="draw how it came to rest; the uncertainty budget"
    )
    add_meter(parser)
    add_usual(parser)
    add_clock(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    import sys

    from acquire.cli import fitting
    from acquire.cli.options import load_config, make_clock, store_path
    from acquire.outlets.check_words import opened_warning
    from acquire.water.catalogue import pick

    config = load_config(args)
    solutions = config.solutions()
    if args.list:
        return _list(solutions, json=args.json)
    if args.solution is None:
        raise ConfigError("which solution? `ouzel check --list` shows them", key="SOLUTION")
    solution = pick(solutions, args.solution, "solution")
    clock, store = make_clock(args), store_path(args, config)
    days = _days_open(args.opened)
    warning = "" if days is None else opened_warning(solution, days)
    for text in [
        *(f"caution: {c}" for c in solution.cautions),
        *([f"warning: {warning}"] if warning else []),
    ]:
        print(fitting(text), file=sys.stderr, flush=True)
    taken = None if args.capture else _take(args, config, clock, store, solution)
    capture = _stored(store, args.capture) if taken is None else taken.final()
    checks = _judge(args, store, capture, solution, solutions)
    _keep(store, clock, checks)
    if args.json:
        _print_json(capture if taken is None else taken, checks, warning, explain=args.explain)
    else:
        _print(args, config, taken, checks, store)
    verdicts = {check.verdict for check in checks}
    return FAILED if "fail" in verdicts else UNSURE if "cannot tell" in verdicts else 0


def _celsius(text: str) -> float:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = 1e9
    if not -5 <= value <= 100:
        raise argparse.ArgumentTypeError(f"found {text!r}, allowed: -5 to 100 °C")
    return value


def _days_open(text: str | None) -> int | None:
    from datetime import date

    if text is None:
        return None
    try:
        days = (date.today() - date.fromisoformat(text)).days  # noqa: DTZ011  (local on purpose)
    except ValueError:
        days = -1
    if days < 0:
        raise ConfigError(
            "not a day of the past", key="--opened", found=text, allowed="a date: 2026-03-01"
        )
    return days


def _list(solutions: Mapping[str, Solution], *, json: bool) -> int:
    import json as form

    from acquire.outlets.check_json import solution_json
    from acquire.outlets.check_words import solution_lines
    from acquire.outlets.words import CAUTION

    if json:
        print(form.dumps([solution_json(one) for one in solutions.values()], indent=2))
        return 0
    for one in solutions.values():
        print(*solution_lines(one), "", sep="\n")
    print(CAUTION)
    return 0


def _take(
    args: argparse.Namespace, config: Config, clock: Clock, store: Path, solution: Solution
) -> Taken:
    """Take the capture, unless it can be seen beforehand that it would be in vain."""
    from acquire.bench.check import require_checkable
    from acquire.cli.options import one_meter
    from acquire.cli.run_daemon import wants_live
    from acquire.cli.take_one import take_one
    from acquire.readings import Role
    from acquire.registry import driver_class

    meter = one_meter(args, config)
    driver = driver_class(meter.driver)(meter.settings, meter=meter.name, clock=clock)
    channels = {channel.quantity: channel for channel in driver.channels}
    if channels:  # some meters say what they measure only once they are asked
        require_checkable(solution, channels, temperature_c=args.temperature)
    taken = take_one(
        config,
        meter,
        clock,
        store=store,
        stop=(solution.label, Role.SOLUTION),
        timeout_s=args.timeout,
        json=args.json,
    )
    if not args.json:
        for line in taken.lines(config, explain=args.explain, live=wants_live(json=False)):
            print(line)
    return taken


def _stored(store: Path, capture_id: str) -> Capture:
    from acquire.readings import CaptureState
    from acquire.store.records import Records

    with Records.open(store) as records:
        capture = records.capture(capture_id)
    if capture is None or capture.state is not CaptureState.FINAL:
        raise ConfigError(
            "no such final capture in the store", key="--capture", found=capture_id,
            allowed="an id that `ouzel capture` or `ouzel serve` printed",
        )  # fmt: skip
    return capture


def _judge(
    args: argparse.Namespace,
    store: Path,
    capture: Capture,
    solution: Solution,
    solutions: Mapping[str, Solution],
) -> Sequence[Check]:
    from acquire.bench.check import check_capture
    from acquire.checks import in_force
    from acquire.errors import WaterError
    from acquire.store.records import Records

    with Records.open(store) as records:
        channels = records.channels(capture.meter)
        standing = in_force(records.corrections(meter=capture.meter))
    try:
        return check_capture(
            capture,
            solution,
            channels,
            temperature_c=args.temperature,
            corrections=standing,
            solutions=solutions,
            opened=args.opened or "",
        )
    except WaterError as error:
        again = f"ouzel check {solution.name} --capture {capture.id}"
        raise WaterError(f"{error}. The capture is kept: `{again}` judges it") from error


def _keep(store: Path, clock: Clock, checks: Sequence[Check]) -> None:
    from acquire.cli.keeping import with_writer
    from acquire.store.writer import StoreWriter

    async def work(writer: StoreWriter) -> None:
        for check in checks:
            await writer.keep(check)

    with_writer(store, clock, work)


def _print_json(
    taken: Taken | Capture, checks: Sequence[Check], warning: str, *, explain: bool
) -> None:
    import json

    from acquire.outlets.as_json import as_json
    from acquire.outlets.check_json import check_json
    from acquire.readings import Capture

    said = as_json(taken) if isinstance(taken, Capture) else taken.as_json(explain=explain)
    whole = {"is": "checks", "capture": said, "checks": [check_json(c) for c in checks]}
    print(json.dumps({**whole, "warning": warning}, allow_nan=False))


def _print(
    args: argparse.Namespace,
    config: Config,
    taken: Taken | None,
    checks: Sequence[Check],
    store: Path,
) -> None:
    from acquire.bench.check import check_budget
    from acquire.bench.correct import propose
    from acquire.bench.meter_state import DAY_MS
    from acquire.errors import WaterError
    from acquire.outlets.budget import budget_table
    from acquire.outlets.check_words import check_lines, date_text

    for check in checks:
        print("", *check_lines([check], config.quantities), sep="\n")
        if args.explain and taken is not None and taken.record is not None:
            value = taken.record.values[check.quantity]
            quantity = config.quantities[check.quantity]
            print(*budget_table(check_budget(check, value), quantity), sep="\n")
        trusted = config.meters.get(check.meter)
        if check.verdict == "pass" and trusted is not None:
            until_ms = check.at_ms + trusted.check_every_days * DAY_MS
            print(f"  good until {date_text(until_ms)} (`check_every_days`: common practice)")
    first = checks[0]
    print(f"\nStored as check {first.capture_id} in {store}")
    for check in checks:
        if check.verdict == "fail" and not check.resembles:
            print("Clean the probe, take fresh solution and check again.")
            try:
                propose([check], now_ms=check.at_ms)
            except WaterError:
                print(f"This is too far off for a meter: is it {check.solution} in the glass?")
            else:
                print("If it stays, correct later captures by it:")
                print(f"    ouzel correct {check.meter} {check.quantity} --from {check.capture_id}")
    print(f"How the meter stands: `ouzel meter {first.meter}`")
