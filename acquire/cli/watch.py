"""`ouzel watch`: how the filter stands, what was changed, a curve, which alert was seen."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from acquire.cli.options import add_config, add_json, add_store
from acquire.errors import ConfigError, StoreError, StoreTaken

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from acquire.config import Config
    from acquire.readings import Stamp
    from acquire.store.records import Records
    from acquire.watching import Point, WatchNews

__all__ = ["add_to"]

_PATIENCE_S = 15.0


PARTS = ("cartridge", "membrane")
"""What can be changed: each begins a new baseline, so a slip of the finger must not."""


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "watch",
        help="how a filter stands, and when to change it",
        description="Looks at what `ouzel serve` records of the points under [watch.NAME].",
    )
    works = parser.add_subparsers(metavar="WORK", required=True)
    status = works.add_parser("status", help="performance, alerts and forecast of each watch")
    status.add_argument("watch", nargs="?", metavar="WATCH", help="only that one")
    changed = works.add_parser("changed", help="say that a cartridge or membrane was changed")
    changed.add_argument("watch", metavar="WATCH")
    changed.add_argument("part", choices=PARTS, help="what was changed")
    changed.add_argument(
        "--undo", action="store_true", help="it was not: take the last change of it back"
    )
    plot = works.add_parser("plot", help="draw rejection, product or any quantity over time")
    plot.add_argument("watch", metavar="WATCH")
    plot.add_argument(
        "--what",
        default="rejection",
        metavar="WHAT",
        help="rejection (default), peak, or a quantity of the product's meter",
    )
    plot.add_argument("--days", type=float, default=90.0, metavar="N", help="so many (default 90)")
    seen = works.add_parser("acknowledge", help="say that you have seen an alert")
    seen.add_argument("alert", metavar="ALERT", help="its id, as `ouzel watch status` shows it")
    compare = works.add_parser(
        "compare",
        help="hold the product's probe against the feed's, from captures of one water",
        description="Capture one water with both probes within a day, under one name.",
    )
    compare.add_argument("watch", metavar="WATCH")
    for one, run in (
        (status, _status),
        (compare, _compare),
        (changed, _changed),
        (plot, _plot),
        (seen, _acknowledge),
    ):
        add_json(one)
        add_store(one)
        add_config(one)
        one.set_defaults(run=run)


# -- looking --------------------------------------------------------------------------------


def _status(args: argparse.Namespace) -> int:
    import json

    from acquire.cli.options import load_config, store_path
    from acquire.outlets.watch_words import state_json, state_text
    from acquire.store.records import Records

    config = load_config(args)
    with Records.open(store_path(args, config)) as records:
        states = [point.state() for point in _points(args.watch, config, records)]
    if args.json:
        print(json.dumps([state_json(state) for state in states], indent=2))
    else:
        print("\n\n".join(state_text(state) for state in states))
    return 0


def _points(name: str | None, config: Config, records: Records) -> list[Point]:
    from acquire.daemon import new_id
    from acquire.watching import resumed

    if name is not None and name not in config.watches:
        raise ConfigError("no such watch", found=name, allowed=", ".join(config.watches) or _HOW)
    if not config.watches:
        raise ConfigError("nothing is watched", file=config.file, key="watch", allowed=_HOW)
    wanted = config.watches if name is None else {name: config.watches[name]}
    return resumed(wanted, records, new_id=new_id, trusted_days=config.trusted_days)


_HOW = "a table [watch.NAME] in the configuration"


def _plot(args: argparse.Namespace) -> int:
    import json

    from acquire.cli.options import load_config, store_path
    from acquire.outlets.watch_words import plotted
    from acquire.store.records import Records

    if not 0 < args.days < 36_500:
        raise ConfigError("not a number of days", key="--days", found=args.days, allowed="above 0")
    config = load_config(args)
    if args.watch not in config.watches:
        raise ConfigError(
            "no such watch", found=args.watch, allowed=", ".join(config.watches) or _HOW
        )
    meter = config.watches[args.watch].product
    most = 1000 if args.json else 72
    with Records.open(store_path(args, config)) as records:
        if args.what in {"rejection", "peak"}:
            points = _drawn(records, args.watch, args.what, args.days)
            unit = "%" if args.what == "rejection" else "times the settled value"
            digits = 1
        else:
            if args.what not in config.quantities:
                allowed = ", ".join(["rejection", "peak", *config.quantities])
                raise ConfigError("unknown", key="--what", found=args.what, allowed=allowed)
            newest = max((one.stamp.at_ms for one in records.latest()), default=0)
            since = newest - round(args.days * 86_400_000)
            span = records.span(meter, args.what, since_ms=max(0, since), most=most)
            points = [((p.start_ms + p.end_ms) // 2, p.mean) for p in span.points]
            unit = span.unit
            digits = config.quantities[args.what].digits
    if args.json:
        print(json.dumps({"watch": args.watch, "what": args.what, "unit": unit, "points": points}))
    else:
        quantity = config.quantities.get(args.what)
        title = (
            f"{args.watch}: {args.what}"
            if quantity is None
            else (f"{args.watch}: {quantity.label.lower()}")
        )
        shown = unit if quantity is None else quantity.shown_unit
        print(plotted(points, title, shown, digits=digits))
    return 0


def _drawn(records: Records, watch: str, what: str, days: float) -> list[tuple[int, float]]:
    draws = records.draws(watch)
    newest = draws[-1].draw.started_ms if draws else 0
    since = newest - round(days * 86_400_000)
    found = []
    for one in draws:
        draw = one.draw
        if draw.started_ms < since or one.passage is None:
            continue
        if what == "rejection":
            found.append((draw.started_ms, 100.0 * (1.0 - one.passage)))
        elif draw.peak is not None and draw.value:
            found.append((draw.started_ms, draw.peak / draw.value))
    return found


def _compare(args: argparse.Namespace) -> int:
    import json
    from dataclasses import asdict

    from acquire.cli.options import load_config, store_path
    from acquire.outlets.watch_words import agreement_text
    from acquire.store.records import Records
    from acquire.watch.side_by_side import agreement

    config = load_config(args)
    watch = config.watches.get(args.watch)
    if watch is None:
        raise ConfigError(
            "no such watch", found=args.watch, allowed=", ".join(config.watches) or _HOW
        )
    if watch.feed is None:
        raise ConfigError(
            f"the watch {args.watch} has one probe, so there is none to hold it against: check "
            "it in a solution (`ouzel check`)",
            file=config.file,
            key=f"watch.{args.watch}.feed",
            allowed="with a second probe in the feed: feed = METER",
        )
    with Records.open(store_path(args, config)) as records:
        found = agreement(
            records.captures(meter=watch.product), list(records.captures(meter=watch.feed))
        )
    if found is None:
        raise StoreError(
            f"no water was captured with both {watch.product} and {watch.feed} within a day: put "
            "both probes into one water and capture it with each, under one name"
        )
    print(json.dumps(asdict(found)) if args.json else agreement_text(args.watch, found))
    return 0


# -- saying ---------------------------------------------------------------------------------


def _changed(args: argparse.Namespace) -> int:
    request = {"watch": args.watch, "part": args.part}
    if args.undo:
        return _undo(args, {**request, "undo": "true"})
    _have_done(args, args.watch, request, lambda point, now: point.change(args.part, now))
    return _tell(args, request, f"{args.watch}: {args.part} changed; a new baseline is learnt")


def _undo(args: argparse.Namespace, request: dict[str, str]) -> int:
    from acquire.cli.options import load_config, store_path
    from acquire.store.records import Records

    with Records.open(store_path(args, load_config(args))) as records:
        changes = records.replaced(args.watch)
    if not changes or changes[-1].part != args.part:
        last = f"the last change was the {changes[-1].part}" if changes else "none was said"
        raise ConfigError(
            f"no change of the {args.part} to take back", found=args.watch, allowed=last
        )
    _have_done(args, args.watch, request, lambda point, now: point.restore(args.part, changes, now))
    return _tell(args, request, f"{args.watch}: the {args.part} was not changed; all is as before")


def _acknowledge(args: argparse.Namespace) -> int:
    def seen(point: Point, now: Stamp) -> Sequence[WatchNews]:
        return point.acknowledge(args.alert, now)

    _have_done(args, None, {"alert": args.alert}, seen)
    return _tell(args, {"alert": args.alert}, f"alert {args.alert}: noted as seen")


def _tell(args: argparse.Namespace, said: dict[str, Any], text: str) -> int:
    import json

    print(json.dumps(said) if args.json else text)
    return 0


def _have_done(
    args: argparse.Namespace,
    name: str | None,
    request: dict[str, str],
    work: Callable[[Point, Stamp], Sequence[WatchNews]],
) -> None:
    """Write it, or have it written by the ouzel that holds the store."""
    from acquire.cli.keeping import with_writer
    from acquire.cli.options import load_config, store_path
    from acquire.clock import SystemClock
    from acquire.store.records import Records

    config = load_config(args)
    store, clock = store_path(args, config), SystemClock()
    with Records.open(store) as records:
        points = _points(name, config, records)
    if "alert" in request and request["alert"] not in {
        alert.id for point in points for alert in point.open.values()
    }:
        held = [alert.id for point in points for alert in point.open.values()]
        raise ConfigError(
            "no such alert holds", found=request["alert"], allowed=", ".join(held) or "none holds"
        )
    news = [item for point in points for item in work(point, clock.now())]

    async def write(writer: Any) -> None:
        for item in news:
            await writer.keep(item)

    try:
        with_writer(store, clock, write)
    except StoreTaken:
        _wait_for(store, request)


def _wait_for(store: Path, request: dict[str, str]) -> None:
    import time

    from acquire.asking import ask
    from acquire.paths import real

    note = ask(real(store), request)
    end = time.monotonic() + _PATIENCE_S
    try:
        while note.exists():
            if time.monotonic() > end:
                raise StoreError(
                    f"{store}: the ouzel that writes to it does not take requests: is it "
                    "`ouzel serve` with this [watch.NAME] in its configuration? Nothing was changed"
                )
            time.sleep(0.05)
    finally:
        note.unlink(missing_ok=True)
