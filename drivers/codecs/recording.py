"""Recordings: what came over a wire and when, as lines of plain text. `docs/replay.md` shows one.

A head says which driver and profile heard it, then comes one line for each thing that happened:
seconds since the beginning, what it was, and the bytes, escaped. Any text either decodes or raises
`FrameError`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from acquire.errors import FrameError

__all__ = ["LINE_LIMIT", "MAGIC", "Act", "Head", "Record"]
__all__ += ["escape", "read_head", "read_records", "unescape", "write_head", "write_record"]

MAGIC = "ouzel recording 1"
"""The first line."""
LINE_LIMIT = 20_000
"""Characters of the longest line that is read: more than any that is written."""

Act = Literal["open", "in", "out", "break", "lost", "closed"]
"""The port was opened, bytes came or went, a break was sent, the link was lost, it was closed."""

_SIGNS: dict[Act, str] = {"in": "<", "out": ">"}
_ACTS: dict[str, Act] = {
    "<": "in",
    ">": "out",
    "open": "open",
    "break": "break",
    "lost": "lost",
    "closed": "closed",
}
_HEAD_LINES = 20
_LINE = re.compile(r"([0-9]{1,9}(?:\.[0-9]{1,9})?) ([<>]|[a-z]+)(?: (.*))?")
_ESCAPE = re.compile(r"\\(x[0-9a-fA-F]{2}|.?)", re.DOTALL)
_PLAIN = {"r": 13, "n": 10, "t": 9, "\\": 92}
_SHOWN = {code: f"\\{letter}" for letter, code in _PLAIN.items()}


@dataclass(frozen=True, slots=True)
class Head:
    """Who listened. Never a port or an address: they are nobody else's business."""

    driver: str = ""
    profile: str = ""
    begun: str = ""
    """UTC, ISO 8601."""


@dataclass(frozen=True, slots=True)
class Record:
    """One thing that happened on the wire."""

    t_s: float
    """Seconds since the recording began."""
    act: Act
    data: bytes = b""
    """What came or went."""
    note: str = ""
    """For `open`: the serial settings, as people write them."""


def escape(data: bytes) -> str:
    r"""Show bytes as ASCII on one line: \r \n \t \\ and \xNN; a blank at the end as \x20."""
    text = "".join(
        _SHOWN.get(one) or (chr(one) if 0x20 <= one < 0x7F else f"\\x{one:02x}") for one in data
    )
    return text[:-1] + "\\x20" if text.endswith(" ") else text


def unescape(text: str) -> bytes:
    """Give the bytes again; FrameError for what `escape` never writes."""
    if not (text.isascii() and text.isprintable()):
        raise FrameError("a character that should be escaped")
    return _ESCAPE.sub(_one, text).encode("latin-1")


def _one(match: re.Match[str]) -> str:
    code = match[1]
    if code in _PLAIN:
        return chr(_PLAIN[code])
    if len(code) == 3:
        return chr(int(code[1:], 16))
    raise FrameError(f"an unknown escape: {match[0]!r}")


def write_head(head: Head) -> str:
    """Give the head, its blank line at the end included."""
    named = (("begun", head.begun), ("driver", head.driver), ("profile", head.profile))
    said = [f"{key} {_one_line(text)}" for key, text in named if text]
    return "\n".join([MAGIC, *said, "", ""])


def write_record(record: Record) -> str:
    """Give the line of one record, its end included."""
    sign = _SIGNS.get(record.act, record.act)
    tail = escape(record.data) if record.act in _SIGNS else _one_line(record.note)
    return f"{record.t_s:.6f} {sign} {tail}".rstrip() + "\n"


def read_head(lines: Iterator[str]) -> Head:
    """Take the head off the lines; FrameError when they are no recording."""
    if next(lines, "").rstrip("\r\n") != MAGIC:
        raise FrameError(f"no recording: the first line is not {MAGIC!r}")
    said: dict[str, str] = {}
    for _ in range(_HEAD_LINES):
        line = next(lines, "").strip()
        if not line:
            break
        key, _, value = line.partition(" ")
        said[key] = _one_line(value)
    return Head(said.get("driver", ""), said.get("profile", ""), said.get("begun", ""))


def read_records(lines: Iterable[str]) -> Iterator[Record]:
    """Give the records; blank lines and those that begin with # are passed over.

    FrameError says which line behind the head cannot be understood.
    """
    before_s = 0.0
    for number, line in enumerate(lines, start=1):
        text = line.strip()
        if not text or text.startswith("#"):
            continue
        try:
            record = _record(text)
        except FrameError as error:
            raise FrameError(f"line {number} behind the head: {error}") from error
        if record.t_s < before_s:
            raise FrameError(f"line {number} behind the head: time runs backwards")
        before_s = record.t_s
        yield record


def _record(text: str) -> Record:
    match = _LINE.fullmatch(text) if len(text) <= LINE_LIMIT else None
    if match is None or match[2] not in _ACTS:
        raise FrameError("not a record: seconds, then < > open break lost or closed")
    act, tail = _ACTS[match[2]], match[3] or ""
    if act in _SIGNS:
        return Record(float(match[1]), act, unescape(tail))
    return Record(float(match[1]), act, note=_one_line(tail))


def _one_line(text: str) -> str:
    return "".join(one if one.isprintable() else "?" for one in text)[:200].strip()
