"""Paths that people write: written out and looked at in one place, with errors people understand.

What a system call or a missing home folder raises becomes a `ConfigError` here, at the boundary.
"""

from __future__ import annotations

import errno
import stat
from pathlib import Path

from acquire.errors import ConfigError

__all__ = ["exists", "expand", "home", "is_file", "real"]

_NOT_THERE = {errno.ENOENT, errno.ENOTDIR}


def expand(said: str | Path, base: Path | None = None) -> Path:
    """Write out the ``~`` of a path; a relative one is meant from `base`.

    Raises:
        ConfigError: there is no such user or home folder, or no file can have this name.

    """
    text = str(said)
    if "\0" in text:
        raise ConfigError("no file can have this name: it holds a NUL", found=text)
    try:
        path = Path(text).expanduser()
    except RuntimeError as error:
        raise ConfigError(
            f"{text.partition('/')[0]} stands for no home folder here: write the whole path",
            found=text,
        ) from error
    return path if base is None else base / path


def home() -> Path:
    """Give the person's home folder; ConfigError where there is none."""
    return expand("~")


def is_file(path: Path) -> bool:
    """Whether there is a file; ConfigError when that cannot be seen."""
    mode = _mode(path)
    return mode is not None and stat.S_ISREG(mode)


def exists(path: Path) -> bool:
    """Whether there is anything; ConfigError when that cannot be seen."""
    return _mode(path) is not None


def real(said: str | Path) -> Path:
    """Give the path without links and dots, there or not; ConfigError where links go in a ring."""
    path = expand(said)
    try:
        return path.resolve()
    except (OSError, RuntimeError) as error:  # RuntimeError: a ring of links, before Python 3.13
        raise _not_seen(path, error) from error


def _mode(path: Path) -> int | None:
    try:
        return path.stat().st_mode
    except OSError as error:
        if error.errno in _NOT_THERE:
            return None
        raise _not_seen(path, error) from error


def _not_seen(path: Path, error: OSError | RuntimeError) -> ConfigError:
    why = getattr(error, "strerror", None) or "its links go in a ring"
    return ConfigError(f"{path} cannot be looked at: {why}")
