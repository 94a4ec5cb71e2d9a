"""Paths that people write: written out and looked at in one place, with errors people understand.

What a system call or a missing home folder raises becomes a `ConfigError` here, at the boundary.
"""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

from acquire.errors import ConfigError

__all__ = ["exists", "expand", "handed_over", "home", "is_file", "read_secret", "real"]

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


def handed_over(credential: str) -> Path | None:
    """Give the copy that the service manager made for us of a file only root reads.

    The unit names it by its key: LoadCredential= of systemd.exec(5).
    """
    folder = os.environ.get("CREDENTIALS_DIRECTORY", "")
    path = Path(folder, credential) if folder else None
    return path if path is not None and path.is_file() else None


def read_secret(path: Path, encoding: str = "utf-8") -> str:
    """Read a secret; ConfigError when anybody on the machine could read it too."""
    try:
        with path.open(encoding=encoding) as file:
            mode = stat.S_IMODE(os.fstat(file.fileno()).st_mode)
            if mode & 0o007:
                raise ConfigError(
                    f"{path.name} can be read or changed by everybody on this machine "
                    f"(mode {mode:04o})",
                    allowed=f"nobody else: chmod 600 {path.name}",
                )
            return file.read().rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(f"{path.name} cannot be read: {error}") from error


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
