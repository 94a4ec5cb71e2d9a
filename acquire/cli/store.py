"""`ouzel store`: copy the store, examine it, give unused space back."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from acquire.cli.options import add_config, add_json, add_store

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

__all__ = ["add_to"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser("store", help="copy the store, examine it, compact it")
    works = parser.add_subparsers(metavar="WORK", required=True)
    backup = works.add_parser(
        "backup",
        help="copy it whole, also while ouzel writes",
        description="The copy is one file, a whole store of its own. It never replaces a file.",
    )
    backup.add_argument(
        "to", nargs="?", metavar="FILE", help="default: beside the store, named by the time"
    )
    verify = works.add_parser(
        "verify",
        help="examine every page, reference and roll-up",
        description="Changes nothing. Examines a copy with --store.",
    )
    compact = works.add_parser(
        "compact",
        help="give the disk back what expired readings left",
        description="Needs the store for itself: stop `ouzel serve` first. Rarely worth it: new "
        "readings use that space again.",
    )
    for one, run in ((backup, _back_up), (verify, _verify), (compact, _compact)):
        add_json(one)
        add_store(one)
        add_config(one)
        one.set_defaults(run=run)


def _store(args: argparse.Namespace) -> Path:
    from acquire.cli.options import load_config, store_path

    return store_path(args, load_config(args))


def _back_up(args: argparse.Namespace) -> int:
    from datetime import UTC, datetime

    from acquire.cli.progress import progress
    from acquire.paths import expand
    from acquire.store.upkeep import back_up

    store = _store(args)
    now = datetime.now(tz=UTC).strftime("%Y%m%dT%H%M%SZ")
    copy = expand(args.to) if args.to else store.with_name(f"{store.name}.{now}.backup")
    with progress() as show:
        size = back_up(store, copy, lambda part: show(f"copied {part:.0%}"))
    _say(args, {"copy": str(copy), "bytes": size}, f"{copy}: {size / 1e6:.1f} MB, whole")
    return 0


def _verify(args: argparse.Namespace) -> int:
    from acquire.cli.progress import progress
    from acquire.store.upkeep import verify

    store = _store(args)
    with progress() as show:
        found = verify(store, _beat(show, "examining"))
    _say(args, {"store": str(store), "found": found}, "\n".join([f"{store}: sound", *found]))
    return 0


def _compact(args: argparse.Namespace) -> int:
    from acquire.cli.progress import progress
    from acquire.store.upkeep import compact

    store = _store(args)
    with progress() as show:
        before, after = compact(store, _beat(show, "compacting"))
    text = f"{store}: {before / 1e6:.1f} MB before, {after / 1e6:.1f} MB now"
    _say(args, {"store": str(store), "bytes_before": before, "bytes_after": after}, text)
    return 0


def _say(args: argparse.Namespace, said: dict[str, object], text: str) -> None:
    import json

    print(json.dumps(said) if args.json else text)


def _beat(show: Callable[[str], None], doing: str) -> Callable[[], None]:
    from itertools import count

    beats = count(1)
    return lambda: show(f"{doing} {'.' * (next(beats) % 40)}")
