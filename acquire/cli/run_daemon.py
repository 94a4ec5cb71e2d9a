"""Runs the daemon in the foreground with something that shows what it says."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Awaitable, Callable, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Literal

from acquire.cli.screen import Screen, Shows, leave_at_once
from acquire.clock import Clock
from acquire.config import Config, MeterConfig
from acquire.daemon import Daemon, LateOutlet, Outlet, Said, stop_on_signals
from acquire.readings import Event, Role

__all__ = ["Ended", "is_over", "run_daemon", "wants_live"]


Ended = Literal["found", "time", "signal", "screen"]
"""What ended a run: the thing waited for, the time given, Ctrl-C and its like, a closed screen."""


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
    outlets: Sequence[Outlet | LateOutlet] = (),
    must_show: bool = True,
    keeps_on: bool = False,
    round_: tuple[str, bool] | None = None,
    with_daemon: Callable[[Daemon], None] = lambda _: None,
) -> Ended:
    """Run until `until` is true of something said, `for_s` is over, or a signal comes.

    `round_` begins a round, see `Daemon`; `with_daemon` is given the daemon before it runs.
    Without `must_show` a screen that is gone (a closed pipe) ends nothing.
    """

    async def main() -> Ended:
        daemon = Daemon(
            config,
            meters,
            clock,
            store=store,
            stops=stops,
            closing=closing,
            outlets=outlets,
            keeps_on=keeps_on,
            round_=round_,
        )
        with_daemon(daemon)
        listener = daemon.listen("terminal")
        loop = asyncio.get_running_loop()
        ended: Ended = "time"

        def end(how: Ended) -> None:
            nonlocal ended
            if ended == "time":
                ended = how
            daemon.stop()

        async def screen_gone() -> None:
            # A daemon goes on without its screen; whoever only looks has nothing left to do.
            if must_show:
                end("screen")
            else:
                await daemon.note(
                    "screen_gone", f"nobody sees the output any more: {screen.failure!r}"
                )

        def on_failure() -> None:
            if not loop.is_closed():
                asyncio.run_coroutine_threadsafe(screen_gone(), loop)

        stop_on_signals(lambda: end("signal"))
        with Screen(show, on_failure) as screen:

            async def look() -> None:
                async for said in listener:
                    screen.hear(said)
                    if until(said):
                        end("found")

            async def give_up(after_s: float) -> None:
                await clock.sleep(after_s)
                daemon.stop()

            looking = asyncio.create_task(look(), name="screen")
            limit = asyncio.create_task(give_up(for_s), name="time limit") if for_s else None
            try:
                await daemon.run(ready)
                await looking  # ends by itself once the last thing is said
            finally:
                for task in (looking, limit):
                    if task is not None:
                        task.cancel()
        if screen.is_stuck:
            leave_at_once(0)
        if must_show and isinstance(screen.failure, Exception):
            raise screen.failure
        return ended

    try:
        return asyncio.run(main())
    except BaseExceptionGroup as group:
        # A task group wraps what ended it; people are owed the thing itself.
        raise _first(group) from group


def is_over(said: Said) -> bool:
    """Whether this says that waiting is in vain for whoever stands beside the meter.

    A recording has ended, or the port cannot be opened at all.
    """
    if not isinstance(said, Event):
        return False
    return said.kind == "meter_over" or (said.kind == "meter_not_reached" and "reason" in said.data)


def _first(error: BaseException) -> BaseException:
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error


def wants_live(*, json: bool) -> bool:
    """A moving table is for a terminal and a person."""
    return not json and sys.stdout.isatty()
