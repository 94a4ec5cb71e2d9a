"""`ouzel service`: let systemd start the daemon, watch over it, and show how it does."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from acquire.cli.options import add_config, add_json

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Mapping
    from pathlib import Path

__all__ = ["add_to"]

RUNS_HERE = "/run/systemd/system"
"""There when systemd is what started this machine (sd_booted(3))."""
_SHOWN = (
    "LoadState",
    "ActiveState",
    "SubState",
    "StatusText",
    "NRestarts",
    "ActiveEnterTimestamp",
    "Result",
)


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser("service", help="run the daemon always: install, remove, status")
    works = parser.add_subparsers(metavar="WORK", required=True)
    install = works.add_parser(
        "install",
        help="write the unit, start it now and at every start",
        description="Yours, without root, unless --system. A unit that is there is kept beside it.",
    )
    add_config(install)
    install.add_argument(
        "--owner",
        metavar="USER",
        default="",
        help="with --system: who it runs as; else a user of its own",
    )
    install.add_argument("--dry-run", action="store_true", help="print the unit, change nothing")
    install.add_argument("--no-start", action="store_true", help="write the unit only")
    remove = works.add_parser(
        "remove", help="stop it and take the unit away; configuration and store stay"
    )
    status = works.add_parser("status", help="whether it runs, and what it says of itself")
    add_json(status)
    for one, run in ((install, _install), (remove, _remove), (status, _status)):
        one.add_argument(
            "--system", action="store_true", help="the whole machine's service (needs root)"
        )
        one.set_defaults(run=run)


def _install(args: argparse.Namespace) -> int:
    from acquire.cli.options import load_config
    from acquire.errors import ConfigError
    from acquire.service_here import service_here, unit_file
    from acquire.service_unit import unit_text

    if args.owner and not args.system:
        raise ConfigError("--owner goes with --system: a service of your own is always yours")
    service = service_here(load_config(args), for_system=args.system, owner=args.owner)
    unit = unit_file(for_system=args.system)
    try:
        text = unit_text(service)
    except ValueError as error:
        raise ConfigError(f"a service file cannot name this path: {error}") from error
    orders = [("daemon-reload",), ("enable", "ouzel.service"), ("restart", "ouzel.service")]
    if args.dry_run:
        print(text, end="")
        print(f"would be written to {unit}; then:", file=sys.stderr)
        for order in orders:
            print(f"  systemctl {' '.join((*_whose(args), *order))}", file=sys.stderr)
        return 0
    _require_right(args)
    if not args.no_start:
        _require_systemd()
    kept = _write(unit, text)
    print(f"wrote {unit}" + (f"; the one before is {kept}" if kept else ""))
    if args.no_start:
        return 0
    for order in orders:
        _order(args, *order)
    print(_hint(args))
    return _status(argparse.Namespace(system=args.system, json=False))


def _remove(args: argparse.Namespace) -> int:
    from acquire.errors import OuzelError
    from acquire.service_here import unit_file
    from acquire.service_unit import STATE

    unit = unit_file(for_system=args.system)
    if not unit.exists():
        raise OuzelError(f"there is no {unit}: nothing to remove")
    _require_ours(unit)
    _require_right(args)
    _require_systemd()
    _order(args, "disable", "--now", "ouzel.service")
    unit.unlink()
    _order(args, "daemon-reload")
    where = f"; a store that it made is in {STATE}" if args.system else ""
    print(f"removed {unit}; configuration and store are untouched{where}")
    return 0


def _status(args: argparse.Namespace) -> int:
    from acquire.outlets.words import tidy
    from acquire.service_here import unit_file

    _require_systemd()
    shown = _properties(args)
    runs = shown.get("ActiveState") == "active"
    unit = unit_file(for_system=args.system)
    if args.json:
        import json

        print(json.dumps({"runs": runs, "unit": str(unit), "systemd": dict(shown)}))
        return 0 if runs else 1
    log = f"journalctl {'' if args.system else '--user '}-u ouzel -e"
    if shown.get("LoadState") != "loaded":
        print(f"not installed: there is no {unit}; `ouzel service install` writes one")
    elif runs:
        again = shown.get("NRestarts", "0")
        print(f"runs since {shown.get('ActiveEnterTimestamp')}, restarted {again} times")
        print(f"  {tidy(shown.get('StatusText', ''), 200)}")
    else:
        state = f"{shown.get('ActiveState')} ({shown.get('SubState')})"
        print(f"DOES NOT RUN: {state}, result {shown.get('Result')}\n  why: {log}")
    return 0 if runs else 1


def _write(unit: Path, text: str) -> Path | None:
    """Put the unit in its place, whole or not at all; gives where an earlier, other one is kept."""
    from acquire.errors import OuzelError

    kept = None
    try:
        unit.parent.mkdir(parents=True, exist_ok=True)
        if unit.exists():
            _require_ours(unit)
            if unit.read_text(encoding="utf-8") != text:
                kept = unit.with_name("ouzel.service.before")
                kept.write_text(unit.read_text(encoding="utf-8"), encoding="utf-8")
        fresh = unit.with_name(".ouzel.service.new")
        fresh.write_text(text, encoding="utf-8")
        fresh.chmod(0o644)
        fresh.replace(unit)
    except OSError as error:
        raise OuzelError(f"{unit} cannot be written: {error.strerror}") from error
    return kept


def _require_ours(unit: Path) -> None:
    from acquire.errors import OuzelError
    from acquire.service_unit import MARK

    try:
        first = unit.read_text(encoding="utf-8").partition("\n")[0]
    except (OSError, UnicodeDecodeError) as error:
        raise OuzelError(f"{unit} cannot be read: {error}") from error
    if first != MARK:
        raise OuzelError(f"{unit} was written by somebody else: move it away first")


def _require_right(args: argparse.Namespace) -> None:
    import os

    from acquire.errors import OuzelError

    is_root = os.geteuid() == 0
    if args.system and not is_root:
        raise OuzelError("the whole machine's service is root's work: run this with sudo")
    if not args.system and is_root:
        raise OuzelError(
            "a service of root's own is rarely meant: add --system, or run this as yourself"
        )


def _require_systemd() -> None:
    from pathlib import Path

    from acquire.errors import OuzelError

    if not Path(RUNS_HERE).is_dir():
        raise OuzelError(
            "systemd does not run here: --dry-run prints the unit; a container or another "
            "supervisor needs only `ouzel serve`"
        )


def _whose(args: argparse.Namespace) -> tuple[str, ...]:
    return () if args.system else ("--user",)


def _call(args: argparse.Namespace, *words: str) -> subprocess.CompletedProcess[str]:
    import subprocess

    from acquire.errors import OuzelError

    try:
        return subprocess.run(
            ["systemctl", *_whose(args), *words],
            capture_output=True,
            text=True,
            check=False,
            timeout=1000,  # a large store that is brought up to date takes minutes to be ready
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise OuzelError(f"systemctl cannot be asked: {error}") from error


def _order(args: argparse.Namespace, *words: str) -> None:
    from acquire.errors import OuzelError

    done = _call(args, *words)
    if done.returncode != 0:
        said = " ".join((*_whose(args), *words))
        raise OuzelError(f"systemctl {said} failed: {done.stderr.strip() or done.returncode}")


def _properties(args: argparse.Namespace) -> Mapping[str, str]:
    done = _call(args, "show", "ouzel.service", f"--property={','.join(_SHOWN)}")
    pairs = (line.partition("=") for line in done.stdout.splitlines())
    return {name: value for name, _, value in pairs}


def _hint(args: argparse.Namespace) -> str:
    if args.system:
        return "it starts with the machine"
    return (
        'it starts when you log in; to let it run without that: sudo loginctl enable-linger "$USER"'
    )
