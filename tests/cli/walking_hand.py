"""A hand that walks a round over a real wire: it does what the program says on its screen.

The probe is the simulated one on a pseudo-terminal; the program another process. The hand knows
nothing of the round but the sentence that is shown, as a person would.
"""

from __future__ import annotations

import asyncio
import fcntl
import os
import re
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable
from pathlib import Path

from acquire.clock import SystemClock
from simulators.probe import Probe
from simulators.pty_front import PtyFront
from simulators.speech import find_dialect, speak
from simulators.waters import load_waters

__all__ = ["GLASSES", "PLAN", "SPEED", "Terminal", "said_in", "walk"]

SPEED = 60.0
AIR_S = 10.0
"""Simulated seconds between two glasses."""
GLASSES = {
    "Technical pH buffer 7.00": "buffer_7",
    "distilled": "distilled",
    "filtered": "filtered_tap",
    "tap": "tap",
}
PLAN = """title = "Two waters"
[[stop]]
check = "buffer-7.00"
[[stop]]
rinse = "distilled"
[[stop]]
reference = "filtered"
expect = { conductivity = [0, 60] }
[[stop]]
subject = "tap"
[[stop]]
count = "tap"
[[stop]]
rinse = "distilled"
[[stop]]
check = "buffer-7.00"
"""
_COLOURS = re.compile(rb"\x1b\[[0-9;?]*[A-Za-z]")
_LIFTS = ("Captured", "Rinsed", "Set aside", "The round", "This is none")


def said_in(text: str) -> str:
    """Give the newest thing to do: of the live screen, or of the lines a pipe gets."""
    at = text.rfind("┏━ now")
    if at >= 0:
        lines = text[at:].splitlines()[1:]
        held = [line.strip("┃ \r") for line in lines[:3] if line.startswith("┃")]
        return " ".join(held)
    at = text.rfind(">>> ")
    return " ".join(text[at + 4 :].split("\n    Then", maxsplit=1)[0].split()) if at >= 0 else ""


class Terminal:
    """A program in a terminal of its own, 80 columns by 36 lines."""

    def __init__(self, folder: Path, *words: str) -> None:
        self._master, slave = os.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 36, 80, 0, 0))
        os.set_blocking(self._master, False)
        self.child = subprocess.Popen(
            [sys.executable, "-m", "acquire", *words],
            cwd=folder,
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env={**os.environ, "TERM": "xterm-256color", "COLUMNS": "80", "LINES": "36"},
            start_new_session=True,
        )
        self.before = termios.tcgetattr(slave)
        self._slave = slave
        self._seen = b""

    def text(self) -> str:
        """Give all that was shown, without colours and moves."""
        try:
            while more := os.read(self._master, 65536):
                self._seen += more
        except BlockingIOError:
            pass
        return _COLOURS.sub(b"", self._seen).decode("utf-8", "replace").replace("\r\n", "\n")

    def type(self, keys: str) -> None:
        os.write(self._master, keys.encode())

    def is_as_it_was(self) -> bool:
        return termios.tcgetattr(self._slave)[3] == self.before[3]

    def close(self) -> None:
        if self.child.poll() is None:
            self.child.kill()
            self.child.wait()
        os.close(self._slave)
        os.close(self._master)


async def walk(
    folder: Path,
    said: Callable[[], str],
    is_over: Callable[[], bool],
    *,
    also: Callable[[str], None] = lambda _: None,
    timeout_s: float = 60.0,
) -> None:
    """Move the probe as it is said until it is over; `also` is told each new sentence.

    The port is `folder/probe`.
    """
    clock, waters = SystemClock(SPEED), load_waters()
    probe = Probe("round", start_s=clock.now().t_s)
    deadline, last, lifted_s, where = time.monotonic() + timeout_s, "", -100.0, None
    async with PtyFront(folder / "probe") as front:
        talk = asyncio.create_task(
            speak(
                front,
                find_dialect("labelled"),
                lambda: probe.display(clock.now().t_s),
                clock=clock,
            )
        )
        while not is_over():
            await asyncio.sleep(0.02)
            assert time.monotonic() < deadline, said()
            say, now_s = said(), clock.now().t_s
            if say != last:
                last = say
                also(say)
            if where is not None and say.startswith(_LIFTS):
                where, lifted_s = None, now_s
                probe.move_to(None, now_s)
            named = re.match(
                r"(?:Put the probe into|Rinse the probe in) (.+?)(?: \(| again|[:.] |[:.]$)", say
            )
            if where is None and named is not None and now_s - lifted_s > AIR_S:
                where = named[1]
                probe.move_to(waters[GLASSES[where]], now_s, poured_s=now_s)
        talk.cancel()
