"""The command line: one file a command, nothing heavy imported before a command runs."""

from __future__ import annotations

import argparse
import errno
import io
import os
import sys
from collections.abc import Iterable, Sequence
from importlib import import_module
from keyword import iskeyword

from acquire import __version__
from acquire.errors import OuzelError

__all__ = ["COMMANDS", "build_parser", "fitting", "main"]

COMMANDS = {
    "demo": "see the whole job on a simulated probe, in under a minute",
    "find": "list where a meter may be: ports, Bluetooth",
    "learn": "find out how an unknown meter talks, and write its profile",
    "read": "show a meter's readings live, with how settled they are",
    "capture": "wait until the numbers have settled, store them once, and end",
    "plan": "list, show, check and write the plans of rounds",
    "round": "walk a plan: reference against subject, checks, rinses, repeats",
    "check": "hold the meter against a solution of known value",
    "meter": "how a meter stands by its checks: good until when, drift, slope, corrections",
    "correct": "take an error that checks found out of later captures, or undo that",
    "compare": "what differs between two waters beyond what the probe can tell",
    "count": "particles under the microscope: per field, per mL, against another water",
    "history": "one water over the months: chart, trend, change since last, checks beside it",
    "import": "take over the spreadsheet you kept until now (CSV, XLSX)",
    "serve": "run the daemon: read all configured meters, record, take captures",
    "page": "invite a phone to the page that `ouzel serve` shows, and dismiss it",
    "service": "run the daemon always: install, remove, status",
    "name": "correct the water's name or role of a stored capture",
    "simulate": "a simulated probe on a port that other programs can open",
    "watch": "how a filter stands, and when to change it",
    "store": "copy the store, examine it, compact it",
    "report": "write a round as one HTML file: the answer, the curves, the doubt",
    "export": "write the record to a workbook, a package of tables, or CSV",
    "replay": "go through exported readings again",
    "config": "check or show the configuration",
    "doctor": "examine versions, permissions, ports, store, broker and clock",
    "drivers": "list the drivers there are and where each came from",
    "tail": "print what goes out to the broker",
}
"""Each command and what it does, in the words of its file: helping loads none of them."""

EXIT_CODES = """\
exit codes:
  0  done
  1  something went wrong that ouzel did not foresee
  2  the command line, the configuration or a profile cannot be used
  3  the meter cannot be reached
  4  the numbers did not come to rest in the time given
  5  the store cannot be read or written
  6  a computation was asked outside what its formula is valid for
  7  check: the meter failed
  8  check: cannot tell at this uncertainty
  9  the broker cannot be reached, or will not have us
  130  stopped with Ctrl-C
  141  whoever read the output went away before the end

These readings never show that a water is safe to drink. For that, ask a
certified laboratory and your local authority.
"""


def build_parser(names: Iterable[str] = tuple(COMMANDS)) -> argparse.ArgumentParser:
    """Make the parser of all commands, or of some; each command's file adds its own part.

    Without any it can tell what there is, and nothing more.
    """
    parser = argparse.ArgumentParser(
        prog="ouzel",
        description="Reads water probes, waits until the numbers have come to rest, records them.",
        epilog=EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"ouzel {__version__}")
    commands = parser.add_subparsers(metavar="COMMAND", required=True)
    loaded = tuple(names)
    if not loaded:
        for name, what in COMMANDS.items():
            commands.add_parser(name, help=what)
    for name in loaded:
        module = f"{name}_" if iskeyword(name) else name
        import_module(f"acquire.cli.{module}").add_to(commands)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; give its exit code."""
    _make_streams_safe()
    # Nobody else's package has a say in what is valid here; to look for one takes time as well.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    words = sys.argv[1:] if argv is None else argv
    # A command that is named needs no other, help none: loading takes longer than some commands.
    names = words[:1] if words and words[0] in COMMANDS else ()
    parser = build_parser(names)
    if not names and not (words and words[0].startswith("-")):
        refusal = fitting(_no_command(words[0])) if words else parser.format_help()
        print(refusal, file=sys.stderr)
        return 2
    args = parser.parse_args(words)
    try:
        return int(args.run(args))
    except OuzelError as error:
        print(fitting(f"ouzel: {error}"), file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        return 130
    except OSError as error:
        if error.errno not in {errno.ENOSPC, errno.EIO, errno.EPIPE}:
            raise
        if error.errno != errno.EPIPE:
            print(f"ouzel: the output cannot be written: {error.strerror}", file=sys.stderr)
            return 1
        return _pipe_closed()


def _no_command(word: str) -> str:
    import difflib

    near = difflib.get_close_matches(word, COMMANDS, n=2)
    hint = f"Did you mean {' or '.join(near)}? " if near else ""
    return f"ouzel: there is no command {word[:40]!r}. {hint}`ouzel --help` lists them all"


def fitting(text: str) -> str:
    """Break a message between words where a person reads it; a program gets one line."""
    if not sys.stderr.isatty():
        return text
    import shutil
    import textwrap

    width = max(30, shutil.get_terminal_size().columns - 1)
    return textwrap.fill(
        text, width, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False
    )


def _make_streams_safe() -> None:
    """A closed stream, or a terminal without µ and ±, must not end the program."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115, PTH123
        elif isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def _pipe_closed() -> int:
    """Whoever read our output (head, less) has gone: end quietly, but never as a success.

    What was decided may not have been said; 141 is what a shell shows of a program that a closed
    pipe ended. Python would complain again while flushing at exit, so standard output is pointed
    at nothing.
    """
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 141
