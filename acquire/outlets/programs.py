"""A person's own programs: run with JSON on their standard input, never in the way.

One runs at a time, each for so long at most; what comes meanwhile waits in the outlet's own queue,
which drops the oldest. What fails is told and not tried again: the outbox is for what must arrive.
"""

from __future__ import annotations

import asyncio
import os
import signal
from contextlib import suppress

from acquire.bench.standing import Said
from acquire.bus import Subscription
from acquire.clock import Clock
from acquire.outlets.as_json import json_line
from acquire.outlets.broker import Tell
from acquire.outward import ProgramsConfig
from acquire.readings import Capture, Event
from acquire.store.writer import StoreWriter

__all__ = ["ALERTS", "ProgramsOutlet"]

ALERTS = ("meter_lost", "meter_over", "clock_step", "alert", "watch")
"""Events that `on_alert` is run for; a kind that begins with one of these counts."""
_LONGEST_WORDS = 300


class ProgramsOutlet:
    """Runs `on_capture` for every state of a capture, `on_alert` for what needs a person."""

    name = "programs"
    only = (Capture, Event)

    def __init__(self, settings: ProgramsConfig, clock: Clock) -> None:
        self._settings = settings
        self._clock = clock
        self._tell: Tell | None = None

    def join(self, _writer: StoreWriter | None, tell: Tell) -> None:
        """Get where to tell what goes wrong; the store is not needed here."""
        self._tell = tell

    async def run(self, heard: Subscription[Said]) -> None:
        async for said in heard:
            command: tuple[str, ...] = ()
            if isinstance(said, Capture):
                command = self._settings.on_capture
            elif isinstance(said, Event) and said.kind.startswith(ALERTS):
                command = self._settings.on_alert
            if command:
                problem = await run_program(command, json_line(said), self._settings.timeout_s)
                if problem and self._tell is not None:
                    text = f"{command[0]}: {problem}"
                    await self._tell(Event("outlet_program", self._clock.now(), "", text))


async def run_program(command: tuple[str, ...], line: str, timeout_s: float) -> str:
    """Run one; gives what went wrong, or nothing. No shell: the words are the program's own."""
    try:
        child = await asyncio.create_subprocess_exec(
            *command,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.PIPE,
            start_new_session=True,  # so that what it starts ends with it
        )
    except OSError as error:
        return f"cannot be started: {error.strerror or error}"
    try:
        async with asyncio.timeout(timeout_s):
            _, words = await child.communicate(line.encode() + b"\n")
    except TimeoutError:
        return f"stopped after {timeout_s:g} s"
    finally:
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(child.pid, signal.SIGKILL)
        await child.wait()
    if child.returncode:
        said = " ".join(words[:_LONGEST_WORDS].decode("utf-8", "replace").split())
        return f"ended with {child.returncode}" + (f": {said}" if said else "")
    return ""
