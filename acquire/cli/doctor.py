"""`ouzel doctor`: what is installed, what may be opened, and what to do where it may not."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, NamedTuple

from acquire.cli.options import add_usual

if TYPE_CHECKING:
    from pathlib import Path

    from acquire.config import Config

__all__ = ["Finding", "add_to", "run"]

BUILT_IN_2026 = 1_767_225_600
"""Unix time of 2026-01-01: a clock before it was never set since this program was written."""


class Finding(NamedTuple):
    """One line of the examination."""

    subject: str
    good: bool
    text: str


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "doctor",
        help="examine versions, permissions, ports, store, broker and clock",
        description="Looks, changes nothing. Exit code 0 when all is well, 1 when not.",
    )
    add_usual(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    import json

    findings = [*_versions(), *_configured(args), *_ports(), _clock()]
    if args.json:
        print(json.dumps([finding._asdict() for finding in findings], indent=2))
    else:
        for finding in findings:
            print(f"{'ok ' if finding.good else 'BAD'}  {finding.subject:<14} {finding.text}")
    return 0 if all(finding.good for finding in findings) else 1


def _versions() -> list[Finding]:
    import platform
    import sqlite3
    from importlib.metadata import version

    from acquire import __version__

    packages = ", ".join(f"{name} {version(name)}" for name in ("pydantic", "pyserial", "rich"))
    return [
        Finding("ouzel", True, __version__),
        Finding("python", True, f"{platform.python_version()} on {platform.platform()}"),
        Finding("packages", True, packages),
        Finding("sqlite", True, sqlite3.sqlite_version),
    ]


def _configured(args: argparse.Namespace) -> list[Finding]:
    from acquire.cli.options import load_config, store_path
    from acquire.errors import ConfigError

    try:
        config = load_config(args)
    except ConfigError as error:
        return [Finding("configuration", False, str(error))]
    where = str(config.file) if config.file else "no file: defaults"
    meters = ", ".join(config.meters) or "none"
    return [
        Finding("configuration", True, f"{where}; meters: {meters}"),
        *_meters(config),
        _store(store_path(args, config)),
        *_broker(config),
    ]


def _meters(config: Config) -> list[Finding]:
    """Whether each configured port is there, without opening it."""
    from acquire.errors import MeterUnavailable
    from acquire.registry import load

    findings = []
    for name, meter in config.meters.items():
        port = getattr(meter.settings, "port", None)
        if port is None:
            continue
        try:
            found = load("drivers.ports:resolve")(port)
            findings.append(Finding(f"meter {name}", True, f"{port} is {found}"))
        except MeterUnavailable as error:
            findings.append(Finding(f"meter {name}", False, str(error)))
    return findings


def _broker(config: Config) -> list[Finding]:
    """Whether the broker, where there is one, can be reached and used."""
    import asyncio

    if config.mqtt is None:
        return []
    from acquire.outlets.broker_look import look

    return [Finding("broker", good, text) for good, text in asyncio.run(look(config.mqtt))]


def _store(path: Path) -> Finding:
    from acquire.errors import StoreError
    from acquire.store.records import Records
    from acquire.store.tail import obstacle

    if not path.exists():
        return Finding("store", True, f"{path}: not there yet, made at the first capture")
    try:
        records = Records.open(path)
        try:
            problem = records.check()
            size = path.stat().st_size / 1e6
        finally:
            records.close()
    except StoreError as error:
        return Finding("store", False, str(error))
    problem = problem or obstacle(path)
    return Finding("store", not problem, f"{path}: {size:.1f} MB, {problem or 'sound'}")


def _ports() -> list[Finding]:
    from acquire.registry import load

    ports = load("drivers.ports:serial_ports")()
    if not ports:
        return [Finding("ports", True, "no serial ports present")]
    return [
        Finding(
            "port",
            port.state != "forbidden",
            f"{port.identity} ({port.device}): {port.state} {port.advice}".rstrip(),
        )
        for port in ports
    ]


def _clock() -> Finding:
    import time
    from datetime import UTC, datetime

    now = time.time()
    text = f"{datetime.fromtimestamp(now, UTC):%Y-%m-%d %H:%M:%S} UTC"
    if now < BUILT_IN_2026:
        return Finding("clock", False, f"{text}: never set; captures would carry a wrong date")
    return Finding("clock", True, text)
