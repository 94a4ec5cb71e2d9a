"""`ouzel plan`: the plans of rounds: listed, shown, checked, and a new one from a few answers."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from acquire.cli.options import add_config, add_json
from acquire.errors import ConfigError

if TYPE_CHECKING:
    from acquire.bench.plan import Plan
    from acquire.config import Config

__all__ = ["add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "plan",
        help="list, show, check and write the plans of rounds",
        description="A plan is a TOML file that lists the stops of a round, in order.",
    )
    words = parser.add_subparsers(metavar="WHAT", required=True)
    for name, text in (
        ("list", "your own plans, and those that come with ouzel"),
        ("show", "the stops of a plan, in words, and what is odd about it"),
        ("check", "whether a plan can be used, and what is odd about it"),
        ("new", "write a plan from a few answers"),
    ):
        one = words.add_parser(name, help=text, description=f"Gives {text}.")
        if name in {"show", "check"}:
            one.add_argument(
                "plan", metavar="PLAN", help="a name from `ouzel plan list`, or a file"
            )
        if name == "new":
            _add_new(one)
        add_json(one)
        add_config(one)
        one.set_defaults(run=run, what=name)


def _add_new(one: argparse.ArgumentParser) -> None:
    one.add_argument("plan", metavar="NAME", help="of the new plan: a-z 0-9 - _")
    one.add_argument("--reference", metavar="WATER", help="the water to compare with")
    one.add_argument("--subject", action="append", metavar="WATER", help="the water you care about")
    one.add_argument(
        "--solution", action="append", metavar="NAME", help="a check solution you have"
    )
    one.add_argument("--rinse", metavar="WATER", help="the water to rinse in")
    one.add_argument("--repeats", type=int, metavar="N", help="captures of each water (default: 3)")
    one.add_argument("--particles", action="store_true", help="count particles as well")
    one.add_argument("--yes", action="store_true", help="ask nothing; what is not said is usual")


def run(args: argparse.Namespace) -> int:
    from acquire.bench.plan import find_plan, plan_names, read_plan
    from acquire.cli.options import load_config
    from acquire.walking import plan_folders

    config = load_config(args)
    folders = plan_folders(config)
    solutions, quantities = config.solutions(), tuple(config.quantities)
    if args.what == "list":
        plans = [read_plan(path, solutions, quantities) for _, path in plan_names(folders)]
        return _listed(plans, json=args.json)
    if args.what == "new":
        return _new(args, config)
    return _told(read_plan(find_plan(args.plan, folders), solutions, quantities), config, args)


def _listed(plans: list[Plan], *, json: bool) -> int:
    import json as form

    from acquire.outlets.cells import padded
    from acquire.outlets.words import tidy

    if json:
        said = [{"plan": p.name, "title": p.title, "path": str(p.path)} for p in plans]
        print(form.dumps(said, indent=2))
        return 0
    for plan in plans:
        print(f"{padded(tidy(plan.name, 24), 24)} {tidy(plan.title, 54)}")
    return 0


def _told(plan: Plan, config: Config, args: argparse.Namespace) -> int:
    import json as form
    import textwrap

    from acquire.bench.plan_advice import advice
    from acquire.bench.walk_words import stop_in_words
    from acquire.outlets.words import tidy

    odd = advice(plan, config.solutions())
    if args.json:
        stops = [stop_in_words(stop) for stop in plan.stops]
        print(form.dumps({"plan": plan.name, "title": plan.title, "stops": stops, "advice": odd}))
        return 0
    if args.what == "show":
        print(f"{tidy(plan.title)}\n")
        for number, stop in enumerate(plan.stops, start=1):
            print(f"{number:>3}  {tidy(stop_in_words(stop), 74)}")
            if stop.note:
                print(f"     {tidy(stop.note, 74)}")
        print()
    else:
        print(f"{plan.path}: can be used; {len(plan.stops)} stops")
    for text in odd:
        print(textwrap.fill(f"- {tidy(text, 400)}", 79, subsequent_indent="  "))
    return 0


def _new(args: argparse.Namespace, config: Config) -> int:
    import re
    import sys

    from acquire.bench.plan import read_plan_text
    from acquire.bench.plan_advice import Wishes, plan_toml
    from acquire.cli import dialogue
    from acquire.walking import plan_folders

    if not re.fullmatch(r"[a-z0-9][a-z0-9_-]{0,39}", args.plan):
        raise ConfigError("a plan's name", key="NAME", found=args.plan, allowed="a-z 0-9 - _")
    path = plan_folders(config)[0] / f"{args.plan}.toml"
    if path.exists():
        raise ConfigError("this plan is there already: choose another name", file=path)
    if not args.yes and not sys.stdin.isatty():
        raise ConfigError("there is no terminal to ask at: say --yes, and --reference, --subject")
    known = tuple(config.solutions())

    def ask(text: str, given: str | None, usual: str) -> str:
        if given is not None or args.yes:
            return given if given is not None else usual
        ended = "the input ended before the plan was made: nothing was written"
        return dialogue.ask(f"{text} [{usual}]: ", ended=ended).strip() or usual

    reference = ask("The water to compare with", args.reference, "reverse osmosis")
    said = ", ".join(args.subject) if args.subject else None
    subjects = _list(ask("The water you care about (several: comma)", said, "kitchen tap"))
    said = ", ".join(args.solution) if args.solution else None
    checks = _list(ask("Check solutions you have (- for none)", said, "buffer-7.00, kcl-1413"))
    rinse = ask("The water you rinse in", args.rinse, "distilled water")
    given = None if args.repeats is None else str(args.repeats)
    repeats = ask("Captures of each water", given, "3")
    if not repeats.isdecimal() or not 1 <= int(repeats) <= 20:
        raise ConfigError("captures of each water", found=repeats, allowed="1 to 20")
    wishes = Wishes(args.plan, reference, subjects, checks, rinse, int(repeats), args.particles)
    text = plan_toml(wishes)
    plan = read_plan_text(text, args.plan, {n: config.solutions()[n] for n in known},
                          tuple(config.quantities))  # fmt: skip
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("x", encoding="utf-8") as file:
        file.write(text)
    if args.json:
        args.what = "check"
    else:
        print(f"Written to {path}. Start it with: ouzel round {args.plan}")
        args.what = "show"
    return _told(plan, config, args)


def _list(text: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in text.split(",") if part.strip() not in {"", "-"})
