"""Talking with the person at the terminal: on standard error, so that output stays output."""

from __future__ import annotations

import sys

from acquire.errors import ConfigError

__all__ = ["ask", "say"]


def say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def ask(prompt: str, *, ended: str = "") -> str:
    """Give the next line a person types, its end included.

    At Ctrl-D or the end of a file ConfigError says `ended`; EOFError where that is empty.
    """
    print(prompt, end="", file=sys.stderr, flush=True)
    line = sys.stdin.readline()
    if not line:
        raise ConfigError(ended) if ended else EOFError
    return line
