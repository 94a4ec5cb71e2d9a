"""Reads the files that `drivers.recording` writes, a line at a time, however large they are."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from acquire.errors import ConfigError, FrameError
from drivers.codecs.recording import LINE_LIMIT, MAGIC, Head, Record, read_head, read_records

__all__ = ["head_of", "is_recording", "length_of", "records_of"]


def is_recording(file: Path) -> bool:
    """Whether the file begins as a recording does; ConfigError when it cannot be read."""
    try:
        with file.open("rb") as opened:
            return opened.read(len(MAGIC)) == MAGIC.encode()
    except OSError as error:
        raise ConfigError(f"cannot be read: {error.strerror or error}", file=file) from error


def head_of(file: Path) -> Head:
    """Give who listened; ConfigError when that cannot be read."""
    try:
        return read_head(_lines(file))
    except (FrameError, OSError, UnicodeDecodeError) as error:
        raise ConfigError(f"cannot be read: {error}", file=file) from error


def length_of(file: Path) -> float:
    """Give the seconds from the beginning to the last whole record; 0 where there is none."""
    with file.open("rb") as opened:
        opened.seek(0, os.SEEK_END)
        opened.seek(max(0, opened.tell() - 2 * LINE_LIMIT))
        tail = opened.read().decode("ascii", "replace").splitlines()
    for line in reversed(tail):
        try:
            for record in read_records([line]):
                return record.t_s
        except FrameError:  # half a line, where the power went
            continue
    return 0.0


def records_of(file: Path) -> Iterator[Record]:
    """Give the records; FrameError, OSError or UnicodeDecodeError where they cannot be read."""
    lines = _lines(file)
    read_head(lines)
    yield from read_records(lines)


def _lines(file: Path) -> Iterator[str]:
    with file.open(encoding="utf-8") as opened:
        while line := opened.readline(LINE_LIMIT + 2):
            yield line
