"""`ouzel count`: particles counted under the microscope, kept and compared."""

from __future__ import annotations

import argparse
import re
from typing import TYPE_CHECKING

from acquire.cli.options import add_usual, positive
from acquire.errors import ConfigError

if TYPE_CHECKING:
    from pathlib import Path

    from acquire.errands import Errand
    from acquire.readings import Event
    from acquire.rounds import ParticleCount
    from acquire.store.records import Records

__all__ = ["add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "count",
        help="particles under the microscope: per field, per mL, against another water",
        description="Without --fields it asks. A light microscope cannot prove plastic.",
    )
    parser.add_argument("water", nargs="?", metavar="WATER", help="what the water is called")
    parser.add_argument(
        "--fields", type=_fields, metavar="N,N,…", help="objects in each field, bubbles left out"
    )
    parser.add_argument(
        "--shape", action="append", default=[], type=_shape, metavar="CLASS=N",
        help="fibre, fragment, film or other; together they are all objects",
    )  # fmt: skip
    parser.add_argument("--bubbles", type=int, default=0, metavar="N", help="seen and left out")
    optics = parser.add_argument_group("what was looked at")
    optics.add_argument("--field-number", type=positive, metavar="MM", help="on the eyepiece: 18")
    optics.add_argument("--objective", type=positive, metavar="X", help="its magnification: 40")
    optics.add_argument("--field-mm", type=positive, metavar="MM", help="measured diameter instead")
    optics.add_argument("--field-u", type=positive, metavar="MM", help="its standard uncertainty")
    optics.add_argument("--drop", type=positive, metavar="UL", help="under the cover slip, µL")
    optics.add_argument("--drop-u", type=positive, metavar="UL", help="its standard uncertainty")
    optics.add_argument("--slip", type=_slip, metavar="MMxMM", help="cover slip, such as 18x18")
    parser.add_argument("--role", choices=("reference", "subject"), help="what it is to the round")
    parser.add_argument("--round", metavar="ID", help="the round it belongs to; `last`: the newest")
    parser.add_argument("--note", default="", metavar="TEXT")
    parser.add_argument("--list", action="store_true", help="show the counts there are, and end")
    parser.add_argument("--against", metavar="WATER", help="compare with this water as reference")
    parser.add_argument("--withdraw", metavar="ID", help="take a mistaken count back")
    parser.add_argument("--restore", metavar="ID", help="undo that")
    add_usual(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    from acquire.cli.options import load_config, store_path

    store = store_path(args, load_config(args))
    if args.withdraw or args.restore:
        return _take_back(args, store)
    if args.list:
        return _list(args, store)
    if args.against is not None:
        return _against(args, store)
    return _count(args, store)


def _fields(text: str) -> tuple[int, ...]:
    # A field left empty is no field without particles: nobody knows what was meant.
    parts = re.split(r"\s*[,;]\s*|\s+", text.strip())
    if not all(part.isdecimal() and len(part) <= 7 and int(part) <= 1_000_000 for part in parts):
        raise argparse.ArgumentTypeError(f"found {text!r}, allowed: 3,0,2,1 (one a field)")
    return tuple(int(part) for part in parts)


def _shape(text: str) -> tuple[str, int]:
    from acquire.rounds import SHAPES

    name, _, number = text.partition("=")
    if name not in SHAPES or not number.isdecimal() or len(number) > 7:
        allowed = ", ".join(SHAPES)
        raise argparse.ArgumentTypeError(f"found {text!r}, allowed: fibre=2; classes: {allowed}")
    return name, int(number)


def _slip(text: str) -> float:
    width, _, height = text.lower().replace("×", "x").partition("x")
    return positive(width) * positive(height or width)


def _optics(args: argparse.Namespace, last: ParticleCount | None) -> dict[str, float | str]:
    """Give what was looked at: as said now, else as with the last count."""
    from acquire.water.microscope import field_diameter

    if args.field_mm is not None and (args.field_number or args.objective):
        raise ConfigError("say --field-mm, or --field-number with --objective")
    if (args.field_number is None) != (args.objective is None):
        raise ConfigError("--field-number and --objective belong together")
    if args.field_u is not None and args.field_mm is None and args.objective is None:
        raise ConfigError("--field-u goes with --field-mm, or with --field-number and --objective")
    if args.drop_u is not None and args.drop is None:
        raise ConfigError("--drop-u goes with --drop")
    said: dict[str, float | str] = {}
    if args.field_mm is not None:
        said |= {"field_mm": args.field_mm, "optics": "measured", "field_mm_u": args.field_u or 0.0}
    elif args.objective is not None:
        said["field_mm"] = field_diameter(args.field_number, args.objective)
        said["field_mm_u"] = args.field_u or 0.0
        said["optics"] = f"field number {args.field_number:g} mm, objective {args.objective:g}x"
    if args.drop is not None:
        said |= {"drop_ul": args.drop, "drop_ul_u": args.drop_u or 0.0}
    if args.slip is not None:
        said["slip_mm2"] = args.slip
    if last is not None and not said:
        names = ("field_mm", "field_mm_u", "optics", "drop_ul", "drop_ul_u", "slip_mm2")
        said = {name: getattr(last, name) for name in (*names, "slip_mm2_u")}
    return said


def _count(args: argparse.Namespace, store: Path) -> int:
    import secrets
    import time

    from acquire.bench.particles import particle_result
    from acquire.cli.count_dialogue import ask_count, can_ask
    from acquire.readings import Role
    from acquire.rounds import ParticleCount

    if args.water is None or not args.water.strip():
        raise ConfigError("which water? ouzel count WATER", key="WATER")
    last, round_id = _known(store, args.round)
    fields, shapes, bubbles = args.fields, dict(args.shape), args.bubbles
    if fields is None:
        if not can_ask():
            raise ConfigError(
                "how many were seen? There is no terminal to ask at", key="--fields",
                allowed="one number a field: --fields 3,0,2,1",
            )  # fmt: skip
        fields, shapes, bubbles, optics = ask_count(args.water, _optics(args, last))
    else:
        # What nobody says now is taken over only where somebody is asked and sees it.
        optics = _optics(args, None)
    count = ParticleCount(
        id=secrets.token_hex(4),
        at_ms=time.time_ns() // 1_000_000,
        water=args.water,
        fields=fields,
        shapes=shapes,
        bubbles=bubbles,
        role=Role(args.role) if args.role else None,
        round_id=round_id,
        note=args.note,
        **optics,  # type: ignore[arg-type]
    )
    found = particle_result(count)  # refuses what cannot be, before anything is kept
    _keep(store, count, count)
    if args.json:
        _print_json(found)
    else:
        from acquire.outlets.count_words import count_lines

        print(*count_lines(found), sep="\n")
        print(f"\nStored as count {count.id} in {store}")
        print(f"A mistake? `ouzel count --withdraw {count.id}` takes it back.")
    return 0


def _known(store: Path, round_word: str | None) -> tuple[ParticleCount | None, str]:
    """Give the last count and the whole id of the round that was named."""
    from acquire.store.records import Records

    if not store.exists():
        if round_word:
            raise ConfigError("there is no store yet, so no such round", found=round_word)
        return None, ""
    with Records.open(store) as records:
        counts = records.counts()
        if round_word == "last":
            one = next(iter(reversed(records.rounds())), None)
        else:
            one = records.round(round_word) if round_word else None
    if round_word and one is None:
        raise ConfigError("no such round", key="--round", found=round_word)
    return (counts[-1] if counts else None), one.id if one is not None else ""


def _keep(store: Path, item: ParticleCount | Event, errand: Errand) -> None:
    from acquire.cli.keeping import have_kept
    from acquire.errors import StoreTaken
    from acquire.store.writer import StoreWriter

    async def work(writer: StoreWriter) -> None:
        await writer.keep(item)

    try:
        have_kept(store, errand, work)
    except ConfigError as error:
        raise StoreTaken(f"{error}. Nothing was kept; again later: {_again(item)}") from error


def _again(item: ParticleCount | Event) -> str:
    """Give the command that keeps it without asking: nothing that was typed is lost."""
    import shlex

    from acquire.rounds import ParticleCount

    if not isinstance(item, ParticleCount):
        return "the same command"
    words = ["ouzel", "count", item.water, "--fields", ",".join(map(str, item.fields))]
    words += [f"--shape={name}={n}" for name, n in item.shapes.items()]
    sizes = {
        "--bubbles": item.bubbles,
        "--field-mm": item.field_mm,
        "--field-u": item.field_mm_u,
        "--drop": item.drop_ul,
        "--drop-u": item.drop_ul_u,
    }
    words += [f"{option}={size:g}" for option, size in sizes.items() if size]
    words += [f"--slip={item.slip_mm2:g}x1"] if item.slip_mm2 else []
    words += [f"--role={item.role}"] if item.role else []
    words += [f"--round={item.round_id}"] if item.round_id else []
    words += [f"--note={item.note}"] if item.note else []
    return shlex.join(words)


def _print_json(found: object) -> None:
    import json

    from acquire.bench.particles import CountComparison, CountResult
    from acquire.outlets.count_json import count_comparison_json, count_json

    if isinstance(found, CountResult):
        print(json.dumps(count_json(found), allow_nan=False, indent=2))
    elif isinstance(found, CountComparison):
        print(json.dumps(count_comparison_json(found), allow_nan=False, indent=2))


def _list(args: argparse.Namespace, store: Path) -> int:
    import json

    from acquire.bench.particles import particle_result
    from acquire.outlets.count_json import count_json
    from acquire.outlets.count_words import count_title
    from acquire.store.records import Records

    with Records.open(store) as records:
        gone = records.withdrawn_counts()
        found = [particle_result(c) for c in records.counts(water=args.water, withdrawn=True)]
    if args.json:
        said = [count_json(one, withdrawn=gone.get(one.count.id, "")) for one in found]
        print(json.dumps({"is": "counts", "counts": said}, allow_nan=False, indent=2))
        return 0
    for one in found:
        print(count_title(one, gone.get(one.count.id, "")))
    if not found:
        print("No counts yet: `ouzel count WATER`")
    return 0


def _against(args: argparse.Namespace, store: Path) -> int:
    from acquire.bench.particles import compare_counts
    from acquire.outlets.count_words import count_comparison_lines
    from acquire.store.records import Records

    if args.water is None or args.fields is not None:
        raise ConfigError("compares what is kept: ouzel count SUBJECT --against REFERENCE")
    with Records.open(store) as records:
        reference, subject = (_latest(records, name) for name in (args.against, args.water))
    found = compare_counts(reference, subject)
    if args.json:
        _print_json(found)
    else:
        print(*count_comparison_lines(found), sep="\n")
    return 0


def _latest(records: Records, word: str) -> ParticleCount:
    """Give the count of that id, or the latest of that water."""
    counts = records.counts()
    mine = [c for c in counts if c.id == word] or [c for c in counts if c.water == word]
    if not mine:
        known = ", ".join(sorted({c.water for c in counts}))
        raise ConfigError("no count of such a water", found=word, allowed=known or "none is kept")
    return mine[-1]


def _take_back(args: argparse.Namespace, store: Path) -> int:
    import time

    from acquire.errands import TakingBack
    from acquire.readings import Event, Stamp
    from acquire.rounds import COUNT_RESTORED, COUNT_WITHDRAWN
    from acquire.store.records import Records

    name = args.withdraw or args.restore
    with Records.open(store) as records:
        known = {count.id: count for count in records.counts(withdrawn=True)}
        gone = records.withdrawn_counts()
    if name not in known:
        raise ConfigError("no such count: `ouzel count --list` shows them", found=name)
    changes = (name in gone) != bool(args.withdraw)
    if not changes:
        said = "Nothing to do: it is "
        said += "withdrawn already." if name in gone else "not withdrawn."
        _say_taken_back(args, name, said, changed=False)
        return 0
    kind = COUNT_WITHDRAWN if args.withdraw else COUNT_RESTORED
    why = args.note or ("mistaken" if args.withdraw else "not mistaken after all")
    stamp = Stamp(time.time_ns() // 1_000_000, time.monotonic_ns())
    event = Event(kind, stamp, "", why, {"count": name, "water": known[name].water})
    _keep(store, event, TakingBack(name, not args.withdraw, args.note))
    said = f"Count {name} counts again."
    if args.withdraw:
        said = f"Count {name} is withdrawn and stays in the store: `--restore {name}` undoes it."
    _say_taken_back(args, name, said, changed=True)
    return 0


def _say_taken_back(args: argparse.Namespace, name: str, said: str, *, changed: bool) -> None:
    import json

    if not args.json:
        print(said)
        return
    state = {"is": "count_taken_back", "id": name, "is_withdrawn": bool(args.withdraw)}
    print(json.dumps({**state, "changed": changed, "text": said}, allow_nan=False, indent=2))
