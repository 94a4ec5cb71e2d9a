"""Lines described by a regular expression with named groups."""

from __future__ import annotations

import re
import time
import warnings
from collections.abc import Iterable, Mapping

from acquire.errors import ConfigError, FrameError
from drivers.codecs.fields import Field, Numerals, Said

__all__ = ["Pattern", "compile_pattern"]

MAX_PATTERN = 2000
_SLOW_S = 0.02
_VERBOSE = re.compile(r"\(\?(?:#|[aiLmsu]*x)")


class Pattern:
    """Reads fields by the named groups of an expression that must fit the whole line."""

    def __init__(
        self, fields: Mapping[str, Field], numerals: Numerals, *, pattern: re.Pattern[str]
    ) -> None:
        self._numerals = numerals
        self._pattern = pattern
        self._fields = list(fields.values())

    def read(self, text: str) -> Said:
        match = self._pattern.fullmatch(text)
        if match is None:
            raise FrameError("the line does not fit the pattern")
        groups = match.groupdict()
        said = Said()
        for found in self._fields:
            shown = groups[found.group]
            if shown is not None:
                unit = groups[found.unit_from] if found.unit_from else None
                said.put(found, self._numerals.read(shown.strip()), unit and unit.strip())
        return said.checked()


def compile_pattern(text: str, max_length: int) -> re.Pattern[str]:
    """Compile a profile's expression; ConfigError when it does not compile or could take for ever.

    A repeated group (``(a+)+``) can take time exponential in the length of the line, so only a
    single character or class may be repeated. What is left is tried on lines of growing length,
    which shows an expression whose time grows steeply before it can stop a meter.
    """
    if len(text) > MAX_PATTERN:
        raise ConfigError("the pattern is too long", allowed=f"{MAX_PATTERN} characters")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # forms whose meaning will change in a later Python
            pattern = re.compile(text)
    except (re.error, RecursionError, OverflowError, Warning) as error:
        raise ConfigError(f"the pattern does not compile: {error}", found=text) from error
    if _VERBOSE.search(text):
        raise ConfigError("comments and verbose mode are not allowed in a pattern", found=text)
    if _repeats_a_group(text):
        raise ConfigError(
            "the pattern repeats a group, which can take for ever on a bad line",
            found=text,
            allowed="* + {n} behind a single character or a [class]; ? behind a group",
        )
    if _is_slow(pattern, text, max_length):
        raise ConfigError(
            f"the pattern takes longer than {_SLOW_S * 1e3:.0f} ms on some lines",
            found=text,
            allowed="say what stands between the groups instead of several .*",
        )
    return pattern


def _repeats_a_group(text: str) -> bool:
    """Whether * + or {n} follows a closing parenthesis, outside classes and escapes."""
    place, class_start = 0, -1
    while place < len(text):
        one = text[place]
        if one == "\\":
            place += 1
        elif class_start >= 0:
            # Right behind the opening, ] is one of the characters of the class.
            if one == "]" and text[class_start:place] not in {"[", "[^"}:
                class_start = -1
        elif one == "[":
            class_start = place
        elif one == ")" and text[place + 1 : place + 2] in {"*", "+", "{"}:
            return True
        place += 1
    return False


def _is_slow(pattern: re.Pattern[str], text: str, max_length: int) -> bool:
    for filler in _fillers(text):
        length = 8.0
        while length < max_length * 1.3:
            line = (filler * max_length)[: min(int(length), max_length) - 1] + "\x00"
            started = time.thread_time()
            pattern.fullmatch(line)
            if time.thread_time() - started > _SLOW_S:
                return True
            length *= 1.3  # small steps: each is stopped at before the next could take minutes
    return False


def _fillers(text: str) -> Iterable[str]:
    """Lines that an expression is likely to be slow on: its own characters over and over."""
    return sorted({"0", "a", " ", "0 ", "0.", *(one for one in text if one.isalnum())})
