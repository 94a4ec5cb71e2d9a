"""Long work on a terminal: how far it is, and a clean end when somebody stops it."""

from __future__ import annotations

import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

__all__ = ["progress", "stoppable"]

_EVERY_S = 0.1


@contextmanager
def progress() -> Iterator[Callable[[str], None]]:
    """Give what shows a short text in place of the last one; nothing where nobody looks."""
    is_seen = sys.stderr.isatty()
    shown_s = 0.0

    def show(text: str) -> None:
        nonlocal shown_s
        now_s = time.monotonic()
        if is_seen and now_s - shown_s >= _EVERY_S:
            shown_s = now_s
            print(f"\r{text[:70]:<70}\r", end="", file=sys.stderr, flush=True)

    try:
        yield show
    finally:
        if is_seen:
            print(f"\r{'':<70}\r", end="", file=sys.stderr, flush=True)


@contextmanager
def stoppable() -> Iterator[None]:
    """Let SIGTERM end the work as Ctrl-C does, so that nothing half done is left lying about."""

    def stop(_number: int, _frame: object) -> None:
        raise KeyboardInterrupt

    before = None
    with suppress(ValueError):  # not the main thread: signals are somebody else's
        before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        if before is not None:
            signal.signal(signal.SIGTERM, before)
