"""`ouzel round`: one visit to a list of waters; you move the probe, ouzel does the rest."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from acquire.cli.options import add_clock, add_meter, add_usual
from acquire.errors import ConfigError

if TYPE_CHECKING:
    from acquire.daemon import Daemon
    from acquire.rounds import Guidance

__all__ = ["add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "round",
        help="walk a plan: reference against subject, checks, rinses, repeats",
        description="Says what to do next, sees by itself which water the probe is in, rings at "
        "each capture. Works on its own, or through a running `ouzel serve`.",
    )
    parser.add_argument("plan", nargs="?", metavar="PLAN", help="a name from `ouzel plan list`")
    parser.add_argument(
        "--resume", action="store_true", help="go on with the round that was interrupted"
    )
    parser.add_argument(
        "--say",
        metavar="WORD",
        help="tell the round of a running `ouzel serve` and end: skip, redo, stop, note TEXT or "
        "answer TEXT",
    )
    add_meter(parser)
    add_usual(parser)
    add_clock(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    from acquire.bench.plan import find_plan, read_plan
    from acquire.cli.beside import is_served
    from acquire.cli.options import load_config, make_clock, one_meter, store_path
    from acquire.cli.round_beside import order_beside, walk_beside
    from acquire.cli.round_keys import Keys
    from acquire.cli.run_daemon import is_over, run_daemon, wants_live
    from acquire.outlets.lines import JsonLines
    from acquire.outlets.round_view import RoundLines, RoundTable
    from acquire.outlets.words import CAUTION
    from acquire.rounds import Guidance
    from acquire.walking import ORDERS, plan_folders

    config = load_config(args)
    store = store_path(args, config)
    if args.say is not None:
        word, _, text = args.say.partition(" ")
        if word not in ORDERS[1:]:
            raise ConfigError(
                "no such word", key="--say", found=word[:40], allowed=", ".join(ORDERS[1:])
            )
        print(order_beside(store, word, args.meter or "", text))
        return 0
    if args.plan is None and not args.resume:
        raise ConfigError("which plan? `ouzel plan list` shows them", key="PLAN")
    wanted = args.plan or ""
    if not args.resume:  # whatever is wrong with it is told before anything is opened
        path = find_plan(wanted, plan_folders(config))
        read_plan(path, config.solutions(), tuple(config.quantities))
        wanted = str(path.resolve())
    if is_served(store):
        return walk_beside(store, args.meter or "", wanted, resume=args.resume, json=args.json)
    last: list[Guidance] = []

    def until(said: object) -> bool:
        if isinstance(said, Guidance):
            last[:] = [said]
            return said.is_over
        return is_over(said)  # type: ignore[arg-type]

    live = wants_live(json=args.json)
    show: JsonLines | RoundTable | RoundLines
    if args.json:
        show = JsonLines(readings=False, statuses=False)
    else:
        show = RoundTable(config.quantities) if live else RoundLines()
    meter = one_meter(args, config)
    if meter.driver == "by_hand":
        raise ConfigError(
            f"{meter.name} is typed: start `ouzel serve` and walk the round on its page",
            key="--meter",
        )
    keys = Keys(
        meter.name,
        show.typing if isinstance(show, RoundTable) else lambda _: None,
        offers=lambda: bool(last and last[0].answers),
    )

    def with_daemon(daemon: Daemon) -> None:
        keys.daemon = daemon

    with keys:
        run_daemon(
            config,
            [meter],
            make_clock(args),
            show,
            store=store,
            until=until,
            closing="the round was interrupted",
            round_=(wanted, args.resume),
            with_daemon=with_daemon,
        )
    there = f" --store {store}" if args.config or args.store else ""
    return _ended(last, f"{store}", there, json=args.json, caution=CAUTION)


def _ended(last: list[Guidance], store: str, there: str, *, json: bool, caution: str) -> int:
    if not last:
        raise ConfigError("the round did not begin: the meter said nothing")
    if not last[0].is_over:
        if not json:
            print("Interrupted; everything so far is kept. Go on with: ouzel round --resume")
        return 130
    if not json:
        print(f"Kept in {store} as round {last[0].round_id}. To see what it says:")
        for word in ("compare", "report"):
            print(f"    ouzel {word} {last[0].round_id}{there}")
        print(caution)
    return 0
