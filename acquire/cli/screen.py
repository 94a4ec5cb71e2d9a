"""Shows what is said from a thread of its own: a terminal that does not drain stops nothing.

Writing to a terminal or pipe can block for ever (Ctrl-S, a sleeping ssh, a paused pager). Here only
the screen's own thread waits then; what does not fit into its queue is dropped, oldest first.
"""

from __future__ import annotations

import contextlib
import os
import queue
import threading
from collections.abc import Callable
from contextlib import AbstractContextManager
from types import TracebackType
from typing import Protocol, Self, runtime_checkable

from acquire.daemon import Said

__all__ = ["Minds", "Screen", "Shows", "leave_at_once"]

LAST_WORDS_S = 1.0


class Shows(Protocol):
    """Something a person or a program looks at."""

    def hear(self, said: Said) -> None: ...


@runtime_checkable
class Minds(Protocol):
    """Something that says beforehand what of all that is said it will show.

    Asked where the things are said, so that its thread sleeps meanwhile.
    """

    def minds(self, said: Said) -> bool: ...


class Screen:
    """A context manager around something that shows. `failure` is what ended the showing."""

    def __init__(
        self, shows: AbstractContextManager[Shows], on_failure: Callable[[], None], size: int = 2000
    ) -> None:
        self._shows = shows
        self._minds = shows.minds if isinstance(shows, Minds) else _always
        self._on_failure = on_failure
        self._queue: queue.Queue[Said | None] = queue.Queue(size)
        self._thread = threading.Thread(target=self._work, name="screen", daemon=True)
        self.failure: BaseException | None = None
        self.dropped = 0

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._put(None)
        self._thread.join(LAST_WORDS_S)

    @property
    def is_stuck(self) -> bool:
        """Its thread still waits for a terminal that takes nothing."""
        return self._thread.is_alive()

    def hear(self, said: Said) -> None:
        if self.failure is None and self._minds(said):
            self._put(said)

    def _put(self, said: Said | None) -> None:
        while True:
            try:
                self._queue.put_nowait(said)
            except queue.Full:
                with contextlib.suppress(queue.Empty):
                    self._queue.get_nowait()
                    self.dropped += 1
            else:
                return

    def _work(self) -> None:
        try:
            with self._shows as screen:
                while (said := self._queue.get()) is not None:
                    screen.hear(said)
        except BaseException as error:  # noqa: BLE001  (handed to whoever runs the daemon)
            self.failure = error
            self._on_failure()


def _always(_said: Said) -> bool:
    return True


def leave_at_once(code: int) -> None:
    """End the process although a thread hangs in a write: all that matters is closed by now."""
    os._exit(code)
