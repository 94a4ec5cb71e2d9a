"""`ouzel correct`: put a correction in force that checks ask for, or undo it."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from acquire.cli.options import add_usual
from acquire.errors import ConfigError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from acquire.checks import Check, StandingCorrection
    from acquire.config import Config

__all__ = ["add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "correct",
        help="take an error that checks found out of later captures, or undo that",
        description="Shows what it would change and asks. The meter's own values are always kept.",
    )
    parser.add_argument("meter", metavar="METER", help="a configured meter")
    parser.add_argument("quantity", metavar="QUANTITY", help="ph, conductivity, ...")
    what = parser.add_mutually_exclusive_group()
    what.add_argument(
        "--from",
        dest="checks",
        nargs="+",
        metavar="CHECK",
        help="one check (offset; conductivity: gain) or two (offset and gain)",
    )
    what.add_argument("--undo", action="store_true", help="end the correction in force")
    parser.add_argument("--yes", action="store_true", help="do not ask")
    add_usual(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    from acquire.checks import in_force
    from acquire.cli.options import load_config, store_path
    from acquire.quantities import find_quantity
    from acquire.store.records import Records

    config = load_config(args)
    find_quantity(args.quantity, config.quantities)
    if args.meter not in config.meters:
        raise ConfigError(
            "a correction belongs to a configured meter: write it into the configuration",
            file=config.file,
            key="meters",
            found=args.meter,
            allowed=", ".join(config.meters),
        )
    store = store_path(args, config)
    with Records.open(store) as records:
        all_checks = records.checks(meter=args.meter)
        corrections = records.corrections(meter=args.meter)
    mine = [check for check in all_checks if check.quantity == args.quantity]
    old = in_force(corrections).get(args.quantity)
    if args.undo:
        return _undo(args, store, old, _before(corrections, args.quantity))
    if not args.checks:
        return _show(args, config, old, mine)
    return _propose(args, config, store, old, mine)


def _before(corrections: Sequence[StandingCorrection], quantity: str) -> StandingCorrection | None:
    """What holds again when the correction in force is undone."""
    held = [c for c in corrections if c.quantity == quantity and c.undone_ms is None]
    return held[-2] if len(held) > 1 else None


def _show(
    args: argparse.Namespace,
    config: Config,
    old: StandingCorrection | None,
    checks: Sequence[Check],
) -> int:
    import json

    from acquire.outlets.check_json import check_json, correction_json
    from acquire.outlets.check_words import correction_line, date_text

    if args.json:
        in_force = None if old is None else correction_json(old)
        print(json.dumps({"in_force": in_force, "checks": [check_json(c) for c in checks]}))
        return 0
    print("In force:", "nothing" if old is None else correction_line(old, config.quantities))
    for check in checks[-10:]:
        print(
            f"  check {check.capture_id}  {date_text(check.at_ms)}  {check.solution:<14} "
            f"off by {check.bias:+.4g}  {check.verdict}"
        )
    if checks:
        print(f"`ouzel correct {args.meter} {args.quantity} --from CHECK [CHECK]` proposes one.")
    else:
        print(f"No check of {args.quantity} yet: `ouzel check --list` shows the solutions.")
    return 0


def _propose(
    args: argparse.Namespace,
    config: Config,
    store: Path,
    old: StandingCorrection | None,
    checks: Sequence[Check],
) -> int:
    import json
    import time

    from acquire.bench.correct import propose
    from acquire.cli.keeping import have_kept
    from acquire.outlets.check_json import correction_json
    from acquire.store.writer import StoreWriter

    by_id = {check.capture_id: check for check in checks}
    unknown = [name for name in args.checks if name not in by_id]
    if unknown:
        raise ConfigError(
            f"no such check of {args.quantity} with {args.meter}",
            key="--from",
            found=unknown[0],
            allowed=", ".join(list(by_id)[-10:]) or "none yet: run `ouzel check`",
        )
    chosen = [by_id[name] for name in args.checks]
    new = propose(chosen, now_ms=time.time_ns() // 1_000_000)
    if not args.json:
        print(*_table(config, old, new, chosen), sep="\n")
    agreed = args.yes or (not args.json and _agrees("Put it in force for later captures?"))

    async def work(writer: StoreWriter) -> None:
        await writer.keep(new)

    if agreed:
        have_kept(store, new, work)
    if args.json:
        print(json.dumps({**correction_json(new), "in_force": agreed}))
    elif agreed:
        undo = f"ouzel correct {args.meter} {args.quantity} --undo"
        print(f"In force from now on; `{undo}` takes it back.")
    else:
        print("Nothing was changed.")
    return 0


def _table(
    config: Config,
    old: StandingCorrection | None,
    new: StandingCorrection,
    checks: Sequence[Check],
) -> list[str]:
    """Old and new, at the checks themselves."""
    from acquire.bench.meter_state import DAY_MS
    from acquire.outlets.check_words import correction_line
    from acquire.outlets.words import shown_with_u

    quantity = config.quantities[new.quantity]
    lines = [f"Now:      {'no correction' if old is None else correction_line(old, {})}"]
    lines += [f"Proposed: {new.method}", ""]
    lines.append(f"  {'solution':<16}{'meter':>10}{'now':>10}{'corrected':>18}{'expected':>18}")
    for check in checks:
        digits = quantity.digits + 1
        now = check.said if old is None else old.line.apply(check.said)
        u = 2.0 * new.u_at(check.said)
        lines.append(
            f"  {check.solution:<16}{quantity.show(check.said, digits=digits):>10}"
            f"{quantity.show(now, digits=digits):>10}"
            f"{_plain(shown_with_u(quantity, new.line.apply(check.said), u)):>18}"
            f"{_plain(shown_with_u(quantity, check.expected, check.expected_u)):>18}"
        )
    apart = max(c.at_ms for c in checks) - min(c.at_ms for c in checks)
    if apart > DAY_MS:
        lines.append(f"  The checks are {apart / DAY_MS:.0f} days apart: the probe may have moved.")
    if len(new.check_ids) == 1 and new.quantity != "conductivity":
        lines.append("  From one check: right near this solution, less so away from it.")
    return lines


def _plain(text: str) -> str:
    """A value and its uncertainty, without the unit."""
    return " ".join(text.split()[:3])


def _undo(
    args: argparse.Namespace,
    store: Path,
    old: StandingCorrection | None,
    before: StandingCorrection | None,
) -> int:
    import json

    from acquire.cli.keeping import have_kept
    from acquire.errands import Undoing
    from acquire.errors import StoreError
    from acquire.outlets.check_json import correction_json
    from acquire.outlets.check_words import correction_line
    from acquire.store.writer import StoreWriter

    if old is None:
        raise StoreError(f"no correction of {args.quantity} is in force for {args.meter}")
    if not args.json:
        print("In force: ", correction_line(old, {}))
        print("Then:     ", "no correction" if before is None else correction_line(before, {}))
    agreed = args.yes or (not args.json and _agrees("Undo it for later captures?"))

    async def work(writer: StoreWriter) -> None:
        await writer.undo_correction(args.meter, args.quantity)

    if agreed:
        have_kept(store, Undoing(args.meter, args.quantity), work)
    if args.json:
        left = before if agreed else old
        in_force = None if left is None else correction_json(left)
        print(json.dumps({"undone": agreed, "in_force": in_force}))
    else:
        print("Undone." if agreed else "Nothing was changed.")
    return 0


def _agrees(question: str) -> bool:
    """Ask a person; ConfigError when nobody is there to be asked."""
    try:
        answer = input(f"{question} [y/N] ")
    except EOFError:
        print()
        raise ConfigError("nobody is there to be asked: add --yes") from None
    return answer.strip().lower() in {"y", "yes"}
