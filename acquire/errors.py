"""Every error ouzel raises on purpose, and the exit code a command ends with.

    OuzelError                   1
    ├── ConfigError              2   a file a person wrote: configuration, profile, script
    ├── MeterError               3
    │   ├── MeterUnavailable         the port cannot be had: missing, taken, forbidden, nonsense
    │   ├── MeterLost                it was there and went away
    │   └── FrameError               bytes that are no frame: counted and skipped, never fatal
    ├── NotSettled               4   the time ran out before the numbers came to rest
    ├── StoreError               5
    │   ├── StoreTaken               another ouzel writes to it
    │   ├── StoreNewer               written by a later ouzel
    │   ├── StoreStalled             the disk takes nothing just now: no room, an error, held
    │   └── StoreDamaged             the file fails SQLite's own check
    ├── WaterError               6   a computation asked outside what its formula is valid for
    └── BrokerError              9   a broker that cannot be reached or will not have us

A message says what was found, what is allowed and what to do. Foreign exceptions (serial, sqlite,
tomllib, pydantic) are turned into these once, at the boundary where they arise, with ``from``.
"""

from __future__ import annotations

from enum import StrEnum

__all__ = [
    "BrokerError",
    "ConfigError",
    "FrameError",
    "MeterError",
    "MeterLost",
    "MeterUnavailable",
    "NotSettled",
    "OuzelError",
    "StoreDamaged",
    "StoreError",
    "StoreNewer",
    "StoreStalled",
    "StoreTaken",
    "Unavailable",
    "WaterError",
]


class OuzelError(Exception):
    """Base of all; `exit_code` is what the command line ends with."""

    exit_code = 1


class ConfigError(OuzelError):
    """Something a person wrote cannot be used: says file, dotted key, found and allowed."""

    exit_code = 2

    def __init__(
        self,
        problem: str,
        *,
        file: object = None,
        key: str = "",
        found: object = None,
        allowed: str = "",
    ) -> None:
        self.problem = problem
        self.file = None if file is None else str(file)
        self.key = key
        self.found = found
        self.allowed = allowed
        where = ": ".join(part for part in (self.file, _cut(key, 120)) if part)
        said = "" if found is None else f", found {_short(found)}"
        may = f"; allowed: {_cut(allowed, 600)}" if allowed else ""
        super().__init__(_plain(f"{where + ': ' if where else ''}{_cut(problem, 600)}{said}{may}"))


class MeterError(OuzelError):
    """A meter, by name, that does not do what it should."""

    exit_code = 3


class Unavailable(StrEnum):
    """Why a port could not be opened."""

    MISSING = "missing"
    TAKEN = "taken"
    FORBIDDEN = "forbidden"
    SETTINGS = "settings"
    OTHER = "other"

    @classmethod
    def _missing_(cls, _value: object) -> Unavailable:
        return cls.OTHER  # an error path must not raise another error


class MeterUnavailable(MeterError):
    """The connection could not be made; `reason` says why, the message says what to do."""

    def __init__(self, message: str, *, reason: Unavailable = Unavailable.OTHER) -> None:
        self.reason = reason
        super().__init__(message)


class MeterLost(MeterError):
    """The connection was there and is gone: unplugged, hung up, out of range.

    `is_over` says that it will never come back, as at the end of a recording: nobody tries again.
    """

    def __init__(self, message: str, *, is_over: bool = False) -> None:
        self.is_over = is_over
        super().__init__(message)


class FrameError(MeterError):
    """Bytes that are not a frame. `used` is how many of the buffer's first bytes are done with."""

    def __init__(self, message: str, *, used: int = 0) -> None:
        self.used = used
        super().__init__(message)


class NotSettled(OuzelError):
    """A capture was asked for and the numbers did not come to rest in the time given."""

    exit_code = 4


class StoreError(OuzelError):
    """The store cannot be read or written."""

    exit_code = 5


class StoreTaken(StoreError):
    """Another ouzel writes to this store."""


class StoreNewer(StoreError):
    """The store was written by a later version."""


class StoreStalled(StoreError):
    """Nothing could be written just now; the same may succeed later."""


class StoreDamaged(StoreError):
    """The file fails SQLite's integrity check."""


class WaterError(OuzelError):
    """An input outside what a formula is valid for, or missing: says what is needed."""

    exit_code = 6


class BrokerError(OuzelError):
    """A broker cannot be reached, or will not have us; says what to do."""

    exit_code = 9  # 7 and 8 are verdicts of `ouzel check`


def _short(found: object) -> str:
    """Show a found value on one line of bounded length, whatever a person or program put there."""
    try:
        text = repr(found)
    except RecursionError:  # tables in tables in tables
        text = "..."
    return _cut(text, 80)


def _cut(text: str, most: int) -> str:
    """Leave out the middle of what is too long: what is wrong often stands at the end."""
    if len(text) <= most:
        return text
    end = most // 3
    return f"{text[: most - 3 - end]}...{text[-end:]}"


def _plain(text: str) -> str:
    """Keep it on one line: a key or a name may hold what a terminal would obey."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
