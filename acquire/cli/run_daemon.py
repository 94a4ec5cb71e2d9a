"""Runs the daemon in the foreground with something that shows what it says."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Awaitable, Callable, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Protocol

from acquire.clock import Clock
from acquire.config import Config, MeterConfig
from acquire.daemon import Daemon, Said, stop_on_signals
from acquire.readings import Event, Role

__all__ = ["Shows", "is_over", "run_daemon", "wants_live"]


class Shows(Protocol):
    """Something a person or a program looks at."""

    def hear(self, said: Said) -> None: ...


def run_daemon(
    config: Config,
    meters: Sequence[MeterConfig],
    clock: Clock,
    show: AbstractContextManager[Shows],
    *,
    store: Path | None,
    stops: Sequence[tuple[str, Role | None]] = (),
    until: Callable[[Said], bool] = lambda _: False,
    for_s: float | None = None,
    ready: Callable[[], Awaitable[None]] | None = None,
    closing: str = "the program was stopped",
) -> bool:
    """Run until `until` is true of something said, `for_s` is over, or a signal comes.

    Gives True when `until` ended it.
    """

    async def main() -> bool:
        daemon = Daemon(config, meters, clock, store=store, stops=stops, closing=closing)
        listener = daemon.listen("terminal")
        stop_on_signals(daemon.stop)
        found = False

        with show as screen:

            async def look() -> None:
                nonlocal found
                try:
                    async for said in listener:
                        screen.hear(said)
                        if until(said) and not found:
                            found = True
                            daemon.stop()
                finally:
                    daemon.stop()  # a screen that is gone (a closed pipe) ends the work cleanly

            async def give_up(after_s: float) -> None:
                await clock.sleep(after_s)
                daemon.stop()

            screen_task = asyncio.create_task(look(), name="screen")
            limit = asyncio.create_task(give_up(for_s), name="time limit") if for_s else None
            try:
                await daemon.run(ready)
                await screen_task  # ends by itself once the last thing is said
            finally:
                for task in (screen_task, limit):
                    if task is not None:
                        task.cancel()
        return found

    try:
        return asyncio.run(main())
    except BaseExceptionGroup as group:
        # A task group wraps what ended it; people are owed the thing itself.
        raise _first(group) from group


def is_over(said: Said) -> bool:
    """Whether this says that a meter will never speak again: a recording has ended."""
    return isinstance(said, Event) and said.kind == "meter_over"


def _first(error: BaseException) -> BaseException:
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error


def wants_live(*, json: bool) -> bool:
    """A moving table is for a terminal and a person."""
    return not json and sys.stdout.isatty()
