"""How long the disk has taken nothing, and how long that is borne."""

from __future__ import annotations

import asyncio

from acquire.errors import StoreStalled

__all__ = ["Stall", "counted"]

_RETRY_S = 1.0


class Stall:
    """One writer's patience with its disk, in real seconds: no disk hurries with a faster clock."""

    def __init__(self, patience_s: float) -> None:
        """`patience_s`, above zero, is how long a stall is borne."""
        self._patience_s = patience_s
        self._since_s: float | None = None
        self._failure: StoreStalled | None = None
        self.retry_s = min(_RETRY_S, patience_s / 10)
        """How long to wait before the same is tried again."""

    def begin(self, failure: StoreStalled) -> None:
        """A commit failed; of several in a row the first counts."""
        if self._since_s is None:
            self._since_s = _now_s()
        self._failure = failure

    def end(self) -> None:
        """A commit succeeded, or nothing waits for one."""
        self._since_s = self._failure = None

    def hurry(self, patience_s: float) -> None:
        """Bear it no longer than so many seconds, those already borne included."""
        self._patience_s = min(self._patience_s, patience_s)

    @property
    def failure(self) -> StoreStalled | None:
        """Why nothing could be written last; None while all is well."""
        return self._failure

    @property
    def is_over(self) -> bool:
        """Whether it has lasted longer than it is borne."""
        return self._since_s is not None and _now_s() - self._since_s >= self._patience_s


def counted(readings: int) -> str:
    return "1 reading" if readings == 1 else f"{readings} readings"


def _now_s() -> float:
    return asyncio.get_running_loop().time()
