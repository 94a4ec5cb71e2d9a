"""A pseudo-terminal that other processes open like a serial port.

It never waits for its reader: bytes that find nobody, or a full buffer, are dropped and counted,
as a meter's are on a wire. Pulling the plug closes it for whoever has it open.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import stat
from pathlib import Path
from types import TracebackType
from typing import Self

from acquire.errors import ConfigError, MeterUnavailable

__all__ = ["PtyFront"]

_LOOK_S = 0.05
"""How often to look whether somebody has opened the port; real seconds, it is a fact of the
machine. A pseudo-terminal has no event for it."""


class PtyFront:
    """Raw, eight bits, no parity: all a pseudo-terminal can do. The speed set on it is ignored.

    `link` is a symbolic link to keep pointing at the port, whose own name changes.
    """

    def __init__(self, link: Path | None = None) -> None:
        self.link = link
        self.dropped = 0
        """Bytes that reached nobody."""
        self._master: int | None = None
        self._device = ""
        self._plugged = asyncio.Event()
        self._waiting: asyncio.Future[None] | None = None

    async def __aenter__(self) -> Self:
        self.plug()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.unplug()

    @property
    def path(self) -> str:
        """What to open: the link if there is one, else the terminal's own name."""
        return self._device if self.link is None else str(self.link)

    @property
    def is_open(self) -> bool:
        """Whether somebody has the port open."""
        if self._master is None:
            return False
        poll = select.poll()
        poll.register(self._master, 0)
        return not any(event & select.POLLHUP for _, event in poll.poll(0))

    def plug(self) -> None:
        """Make the terminal and its link; ConfigError when the link's name is taken."""
        if self._master is not None:
            return
        if self.link is not None:
            _check_free(self.link)
        self._master, self._device = _open_raw()
        if self.link is not None:
            try:
                _put_link(self.link, self._device)
            except OSError as error:
                self._close()
                raise ConfigError(
                    f"the link cannot be made: {error.strerror}", file=self.link
                ) from error
        self._plugged.set()

    def unplug(self) -> None:
        """Close the terminal under its reader and take the link away, if it is still ours."""
        if self._master is None:
            return
        if self.link is not None:
            with contextlib.suppress(OSError):  # not there, not a link, not ours: leave it
                if str(self.link.readlink()) == self._device:
                    self.link.unlink()
        self._plugged.clear()
        self._wake()
        self._close()

    def send(self, data: bytes) -> int:
        """Give bytes to the reader without waiting; returns how many it can still read."""
        taken = 0
        if self._master is not None and self.is_open:
            # Full, or closed between the look and the write: lost either way.
            with contextlib.suppress(OSError):
                taken = os.write(self._master, data)
        self.dropped += len(data) - taken
        return taken

    async def receive(self) -> bytes:
        """Wait for bytes from whoever has the port open, at most 4096 at a time."""
        while True:
            await self._plugged.wait()
            if not self.is_open:
                await asyncio.sleep(_LOOK_S)
                continue
            await self._readable()
            if self._master is None:
                continue
            with contextlib.suppress(OSError):  # hung up meanwhile, or a false alarm
                data = os.read(self._master, 4096)
                if data:
                    return data

    async def _readable(self) -> None:
        master = self._master
        if master is None:
            return
        loop = asyncio.get_running_loop()
        self._waiting = loop.create_future()
        loop.add_reader(master, self._wake)
        try:
            await self._waiting
        finally:
            self._waiting = None
            if self._master == master:  # else unplugging has taken it off already
                loop.remove_reader(master)

    def _wake(self) -> None:
        if self._waiting is not None:
            if self._master is not None:
                asyncio.get_running_loop().remove_reader(self._master)
            if not self._waiting.done():
                self._waiting.set_result(None)

    def _close(self) -> None:
        if self._master is not None:
            os.close(self._master)
            self._master = None


def _open_raw() -> tuple[int, str]:
    """Give a master that does not block and the name of its terminal, closed again.

    With the terminal closed a hung-up master says that nobody is there; the raw setting lasts as
    long as the master does.
    """
    if not hasattr(os, "openpty"):
        raise MeterUnavailable("a simulated meter needs pseudo-terminals: Linux, macOS or a BSD")
    import tty  # noqa: PLC0415  (POSIX only)

    master, terminal = os.openpty()
    try:
        tty.setraw(terminal)
        os.set_blocking(master, False)
        return master, os.ttyname(terminal)
    except BaseException:
        os.close(master)
        raise
    finally:
        os.close(terminal)


def _check_free(link: Path) -> None:
    """Refuse to replace anything but a link left by a simulated meter."""
    try:
        mode = link.lstat().st_mode
    except FileNotFoundError:
        return
    except OSError as error:
        raise ConfigError(f"the link cannot be made: {error.strerror}", file=link) from error
    allowed = "a free name, or a link to a terminal"
    if not stat.S_ISLNK(mode):
        raise ConfigError("something else has this name", file=link, allowed=allowed)
    with contextlib.suppress(FileNotFoundError):  # a dangling link: its meter is gone
        if not stat.S_ISCHR(link.stat().st_mode):
            raise ConfigError(
                "the link points to something else",
                file=link,
                found=str(link.readlink()),
                allowed=allowed,
            )


def _put_link(link: Path, device: str) -> None:
    """Make or replace the link in one step: nobody ever sees it missing."""
    fresh = link.with_name(f".{link.name}.{os.getpid()}")
    with contextlib.suppress(FileNotFoundError):
        fresh.unlink()
    fresh.symlink_to(device)
    try:
        fresh.replace(link)
    except OSError:
        fresh.unlink()
        raise
