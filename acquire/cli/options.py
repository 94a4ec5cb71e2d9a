"""Options that several commands share, and what they mean."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from acquire.errors import ConfigError

if TYPE_CHECKING:
    from pathlib import Path

    from acquire.clock import Clock
    from acquire.config import Config, MeterConfig

__all__ = [
    "add_clock",
    "add_config",
    "add_json",
    "add_meter",
    "add_store",
    "add_usual",
    "load_config",
    "make_clock",
    "one_meter",
    "positive",
    "store_path",
]


_OPTIONS = {
    "profile": "--profile",
    "port": "--port",
    "address": "--port",
    "file": "--replay",
    "meter": "--meter",
}
"""Where the keys of a meter's table come from when there is no table."""


def positive(text: str) -> float:
    """Read a number above zero for argparse."""
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < 1e9:
        raise argparse.ArgumentTypeError(f"found {text!r}, allowed: a number above zero")
    return value


def add_config(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--config",
        metavar="FILE",
        help="configuration (default: ./ouzel.toml, else ~/.config/ouzel/ouzel.toml)",
    )


def add_json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print JSON for programs")


def add_store(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--store", metavar="FILE", help="the store, instead of the configured one")


def add_usual(parser: argparse.ArgumentParser) -> None:
    """What a command takes that reads the record and tells of it."""
    add_json(parser)
    add_store(parser)
    add_config(parser)


def add_clock(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--speed",
        type=positive,
        default=1.0,
        metavar="N",
        help="run the clock N times faster; only for simulated meters",
    )


def add_meter(parser: argparse.ArgumentParser) -> None:
    """Which meter: one from the configuration, or a port and a profile named here."""
    group = parser.add_argument_group("which meter")
    group.add_argument("--meter", metavar="NAME", help="one of the configured meters")
    group.add_argument("--port", help="a serial port, its stable name from `ouzel find`, or a URL")
    group.add_argument("--profile", help="how that meter talks (with --port; default: labelled)")
    group.add_argument("--driver", help="over which wire (with --port; default: text_lines)")
    group.add_argument(
        "--by-hand", action="store_true", help="no port: you type what the display shows"
    )
    group.add_argument(
        "--replay", metavar="FILE", help="a recording, exported readings or a store instead"
    )


def load_config(args: argparse.Namespace) -> Config:
    from acquire import config

    return config.load(config.find_file(args.config))


def make_clock(args: argparse.Namespace) -> Clock:
    from acquire.clock import SystemClock

    return SystemClock(args.speed)


def store_path(args: argparse.Namespace, config: Config) -> Path:
    from acquire.paths import expand

    return expand(args.store) if args.store else config.store.path


def _past(args: argparse.Namespace) -> dict[str, str]:
    """Make the table of a meter of the past; --meter says which of those in the file."""
    said = {"file": args.replay, "meter": args.meter, "profile": args.profile}
    return {"driver": "replay", **{key: value for key, value in said.items() if value is not None}}


def _named_here(name: str, table: dict[str, str], config: Config) -> MeterConfig:
    """Check a meter named on the command line; what is wrong is told of the option."""
    from acquire.config import meter

    try:
        return meter(name, table, None, config.quantities)
    except ConfigError as error:
        option = _OPTIONS.get(error.key.removeprefix(f"meters.{name}."))
        if option is None or error.file is not None:
            raise
        raise ConfigError(
            error.problem, key=option, found=error.found, allowed=error.allowed
        ) from error


def _read_by_hand(args: argparse.Namespace, config: Config) -> MeterConfig:
    """Give the configured display, or one that shows what most do."""
    from acquire.config import meter

    if args.profile is not None:
        table = {"driver": "by_hand", "profile": args.profile}
        return _named_here(args.meter or "by-hand", table, config)
    mine = {n: one for n, one in config.meters.items() if one.driver == "by_hand"}
    if args.meter in mine or (args.meter is None and len(mine) == 1):
        return mine[args.meter or next(iter(mine))]
    if args.meter is not None and args.meter in config.meters:
        raise ConfigError(
            "this meter has a connection: it is not read by hand",
            found=args.meter,
            allowed=", ".join(mine) or "--by-hand without --meter",
        )
    return meter(args.meter or "by-hand", {"driver": "by_hand"}, None, config.quantities)


def one_meter(args: argparse.Namespace, config: Config) -> MeterConfig:
    """Give the meter the person means; ConfigError says how to name one."""
    if sum((args.port is not None, args.replay is not None, args.by_hand)) > 1:
        raise ConfigError("say one of --port, --replay and --by-hand")
    if args.by_hand:
        return _read_by_hand(args, config)
    if args.replay is not None:
        return _named_here("bench", _past(args), config)
    if args.port is not None:
        if args.meter is not None:
            raise ConfigError("say --meter or --port, not both")
        driver = args.driver or "text_lines"
        place = "address" if driver in {"gatt", "adverts"} else "port"
        table = {"driver": driver, place: args.port}
        if args.profile or driver == "text_lines":
            table["profile"] = args.profile or "labelled"
        return _named_here("bench", table, config)
    if args.profile is not None:
        raise ConfigError("--profile goes with --port, --replay or --by-hand")
    if args.meter is not None:
        if args.meter not in config.meters:
            raise ConfigError(
                "no such meter",
                file=config.file,
                key="meters",
                found=args.meter,
                allowed=", ".join(config.meters) or "none is configured",
            )
        return config.meters[args.meter]
    if len(config.meters) == 1:
        return next(iter(config.meters.values()))
    if not config.meters:
        raise ConfigError(
            "no meter is configured: name its port with --port (`ouzel find` lists the ports), "
            "or write one into ouzel.toml",
            file=config.file,
        )
    raise ConfigError(
        "several meters are configured: choose one with --meter", allowed=", ".join(config.meters)
    )
