"""Keys pressed during a round: read from the terminal, carried out by the daemon."""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
import threading
from collections.abc import Callable
from types import TracebackType
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from acquire.daemon import Daemon

__all__ = ["WORDS", "Keys"]

WORDS = {"s": "skip", "r": "redo", "n": "note", "x": "stop"}
_DIGITS = frozenset("0123456789")


class Keys:
    """Reads single keys while a round is walked; without a terminal it does nothing.

    `n` collects a line for the note, `a` one for an answer (a count), until Enter; Esc forgets it.
    `echo` is given that line as it grows, and nothing when it is done. A digit answers at once
    only while `offers` says that there are answers to choose from; else it begins a line: a count.
    The terminal is as it was afterwards, whatever happens.
    """

    def __init__(
        self,
        meter: str,
        echo: Callable[[str], None] = lambda _: None,
        offers: Callable[[], bool] = lambda: True,
    ) -> None:
        self._meter = meter
        self._echo = echo
        self._offers = offers
        self.daemon: Daemon | None = None
        self._before: list[object] | None = None
        self._wake: tuple[int, int] | None = None
        self._thread: threading.Thread | None = None
        self._typing = ""
        self._line = ""

    def __enter__(self) -> Self:
        if not sys.stdin.isatty():
            return self
        import termios
        import tty

        fd = sys.stdin.fileno()
        self._before = termios.tcgetattr(fd)
        tty.setcbreak(fd)
        self._wake = os.pipe()
        self._thread = threading.Thread(target=self._read, args=(fd,), name="keys", daemon=True)
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._before is None or self._wake is None or self._thread is None:
            return
        import termios

        os.write(self._wake[1], b"x")
        self._thread.join(1.0)
        for end in self._wake:
            os.close(end)
        termios.tcsetattr(sys.stdin.fileno(), termios.TCSADRAIN, self._before)  # type: ignore[arg-type]

    def _read(self, fd: int) -> None:
        import select

        assert self._wake is not None  # noqa: S101 - begun with it
        while True:
            ready, _, _ = select.select([fd, self._wake[0]], [], [])
            if self._wake[0] in ready:
                return
            said = os.read(fd, 64).decode("utf-8", "replace")
            if not said:
                return
            for key in said:
                order = self.press(key)
                if order is not None:
                    self._carry_out(*order)

    def press(self, key: str) -> tuple[str, str] | None:
        """Take one key; gives the order and its text when it is one."""
        if self._typing:
            return self._type(key)
        low = key.lower()
        is_digit = low in _DIGITS
        if low in {"n", "a"} or (is_digit and not self._offers()):
            self._typing = "note" if low == "n" else "answer"
            self._line = low if is_digit else ""
            self._echo(self._prompt())
            return None
        if low in WORDS:
            return WORDS[low], ""
        return ("answer", low) if is_digit else None

    def _type(self, key: str) -> tuple[str, str] | None:
        if key in "\r\n":
            word, text, self._typing = self._typing, self._line, ""
            self._echo("")
            return (word, text) if text.strip() else None
        if key == "\x1b":
            self._typing = ""
        elif key in "\x7f\b":
            self._line = self._line[:-1]
        elif key.isprintable() and len(self._line) < 300:
            self._line += key
        self._echo(self._prompt() if self._typing else "")
        return None

    def _prompt(self) -> str:
        return f"{self._typing} (Enter keeps it, Esc does not): {self._line}_"

    def _carry_out(self, word: str, text: str) -> None:
        daemon = self.daemon
        if daemon is None or daemon.loop is None:
            return
        asyncio.run_coroutine_threadsafe(self._order(daemon, word, text), daemon.loop)

    async def _order(self, daemon: Daemon, word: str, text: str) -> None:
        from acquire.errors import OuzelError

        try:
            done = await daemon.order(word, self._meter, text, is_ours=True)
        except (ValueError, OuzelError) as error:
            done = str(error)
        with contextlib.suppress(OuzelError):
            await daemon.note("order", f"{word}: {done}")
