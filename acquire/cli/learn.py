"""`ouzel learn`: find out how a meter talks that nobody described, and write its profile."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from acquire.cli.options import add_clock, add_config, add_json, positive

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from acquire.config import MeterConfig
    from acquire.readings import Reading

__all__ = ["add_to", "run"]

_READINGS = 3


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "learn",
        help="find out how an unknown meter talks, and write its profile",
        description="Listens at common serial settings, finds the numbers in the lines, proposes "
        "what each is, asks you, writes a profile and reads the meter with it.",
    )
    parser.add_argument("port", metavar="PORT", help="as `ouzel find` names it, a path or a URL")
    parser.add_argument(
        "--accept", action="store_true", help="ask nothing: take what is proposed, read, end"
    )
    parser.add_argument(
        "--out", metavar="FILE", help="where to write the profile (default: learned.toml)"
    )
    parser.add_argument(
        "--command", metavar="TEXT", help=r"what makes this meter answer, such as 'READ\r\n'"
    )
    parser.add_argument(
        "--listen-only", action="store_true", help="send nothing to a meter that is silent"
    )
    parser.add_argument(
        "--for",
        type=positive,
        dest="for_s",
        default=12.0,
        metavar="SECONDS",
        help="listen that long (default: 12, or until a dozen lines have come)",
    )
    add_json(parser)
    add_config(parser)
    add_clock(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    import asyncio
    import json
    import sys

    from acquire.cli.learn_dialogue import confirm, describe
    from acquire.cli.options import load_config, make_clock
    from acquire.registry import load

    def say(text: str) -> None:
        print(text, file=sys.stderr if args.json else sys.stdout, flush=True)

    config = load_config(args)
    clock = make_clock(args)
    out = _free(args.out)
    command = load("drivers.learned:command_of")(args.command) if args.command else b""
    ear = load("drivers.learning:Ear")(args.port, clock, say)
    try:
        with asyncio.Runner() as runner:
            heard = _hear(runner.run, ear, args, command, say)
            found = load("drivers.learned:make_sense")(heard)
            describe(found, say)
            if not args.accept:
                found = confirm(found, say, lambda: _dip(runner.run, ear, heard))
    except (KeyboardInterrupt, EOFError):
        say("\nNothing was written.")
        raise KeyboardInterrupt from None
    table = load("drivers.learned:whole_profile")(found, heard)
    meter, snippet = _write(out, table, found, args.port, clock)
    say(f"\nWrote {out}. For ouzel.toml:\n\n{snippet}")
    if any(one.quantity == "conductivity" for one in found.chosen):
        say("Look at compensated_to_c in it: is conductivity shown at 25 °C? The manual knows.")
    readings = _read(config, meter, clock, say, forever=not args.accept and not args.json)
    if args.json:
        print(json.dumps(_as_json(out, found, meter, snippet, readings), indent=2))
    return 0


def _hear(
    wait: Callable[..., Any],
    ear: Any,
    args: argparse.Namespace,
    command: bytes,
    say: Callable[[str], None],
) -> Any:
    """Get something to learn from; MeterUnavailable says what to look at."""
    from acquire.cli.learn_dialogue import may_ask
    from acquire.errors import MeterUnavailable, Unavailable
    from acquire.registry import load

    if command:
        heard = wait(ear.ask([command], args.for_s)) or wait(ear.listen(args.for_s))
    else:
        heard = wait(ear.listen(args.for_s))
        if heard is None and not args.listen_only:
            harmless = load("drivers.learning:HARMLESS")
            say("Nothing comes by itself.")
            if args.accept or may_ask(harmless, say):
                heard = wait(ear.ask(harmless, args.for_s))
    if heard is None:
        asked = "" if args.listen_only else ", and no question was answered"
        raise MeterUnavailable(
            f"nothing comes from {args.port}{asked}: is the meter switched on and set to send? "
            "Its manual says what makes it answer: try that with --command 'TEXT\\r\\n'",
            reason=Unavailable.OTHER,
        )
    return heard


def _dip(wait: Callable[..., Any], ear: Any, heard: Any) -> Any:
    """Listen while the probe goes from air into water, and think again."""
    from acquire.registry import load

    wait(ear.more(heard, 25.0))
    return load("drivers.learned:make_sense")(heard)


def _free(named: str | None) -> Path:
    """Give a file that does not exist yet; one that was named and does is refused."""
    from pathlib import Path

    from acquire.errors import ConfigError
    from acquire.learned import free_name

    if named is None:
        return free_name(Path())
    path = Path(named).expanduser()
    path = path if path.suffix == ".toml" else path.with_name(path.name + ".toml")
    if path.exists():
        raise ConfigError("is there already and would be lost: name another file", file=path)
    if not path.parent.is_dir():
        raise ConfigError("there is no such folder", file=path.parent)
    return path


def _write(
    out: Path, table: dict[str, Any], found: Any, port: str, clock: Any
) -> tuple[MeterConfig, str]:
    """Write the profile, whole or not at all; give the meter and its table for ouzel.toml."""
    from acquire.learned import read_with, table_text, write_profile

    write_profile(out, table, found, clock)
    profile = out.name if out.parent == out.parent.__class__() else str(out)
    return read_with("learned", out, port), table_text("kitchen", profile, port)


def _read(
    config: Any, meter: MeterConfig, clock: Any, say: Callable[[str], None], *, forever: bool
) -> list[Reading]:
    """Read with the new profile at once: a few readings, or until Ctrl-C."""
    import contextlib

    from acquire.cli.run_daemon import run_daemon, wants_live
    from acquire.errors import MeterLost
    from acquire.outlets.lines import PlainLines
    from acquire.outlets.live import LiveTable
    from acquire.outlets.words import shown
    from acquire.readings import Event, Reading

    readings: list[Reading] = []
    troubles: list[str] = []

    def until(said: Any) -> bool:
        if isinstance(said, Event):
            troubles.append(said.text)
        if isinstance(said, Reading):
            readings[:] = [*readings[-_READINGS:], said]
            if not forever:
                values = said.values.items()
                say("  " + ", ".join(f"{n} {shown(config.quantities[n], v)}" for n, v in values))
        return not forever and len(readings) >= _READINGS

    if forever:
        say("\nReading with it; Ctrl-C ends.")
        live = wants_live(json=False)
        table = LiveTable(config.quantities) if live else PlainLines(config.quantities, every_s=1.0)
        run_daemon(config, [meter], clock, table, store=None, until=until)
        return readings
    say("\nReading with it:")
    quiet = contextlib.nullcontext(_Silent())
    run_daemon(config, [meter], clock, quiet, store=None, until=until, for_s=30.0)
    if not readings:
        why = f": {troubles[-1]}" if troubles else ""
        raise MeterLost(f"the profile was written, but no reading came with it{why}")
    return readings


class _Silent:
    """Shows nothing: what is read is said one by one."""

    def hear(self, said: object) -> None:
        """Hear and be silent."""


def _as_json(
    out: Path, found: Any, meter: MeterConfig, snippet: str, readings: list[Reading]
) -> dict[str, Any]:
    from acquire.outlets.as_json import as_json

    return {
        "profile": str(out),
        "port": getattr(meter.settings, "port", ""),
        "snippet": snippet,
        "fields": [
            {
                "label": one.slot.label,
                "shown": one.slot.shown[-1] if one.slot.shown else "",
                "quantity": one.quantity or None,
                "unit": one.unit,
                "why": one.why,
                "sure": one.is_sure,
            }
            for one in found.proposals
        ],
        "lines": list(found.lines.texts[-5:]),
        "readings": [as_json(reading) for reading in readings],
    }
