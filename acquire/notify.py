"""Tells the service manager how the daemon does: datagrams of the form of sd_notify(3).

The protocol is public and needs no library: `NAME=value` lines to the Unix socket that the manager
names in NOTIFY_SOCKET. Without that variable nothing is said and nothing is an error.
"""

from __future__ import annotations

import os
import socket
from collections.abc import MutableMapping

__all__ = ["Notifier"]

_STATUS_MOST = 200
_READY_S = 1.0
"""READY is said once and must not be lost to a queue that is full just then."""


class Notifier:
    """One service manager's ear. Nothing here fails: a manager that is gone costs nothing."""

    def __init__(self, address: str, watchdog_s: float | None = None) -> None:
        """Prepare.

        Args:
            address: A path, or ``@name`` for a socket of Linux's abstract namespace.
            watchdog_s: Within that many seconds the manager wants to hear `alive`; None: never.

        """
        self.watchdog_s = watchdog_s
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._status = ""

    @classmethod
    def from_environment(
        cls, environment: MutableMapping[str, str] | None = None
    ) -> Notifier | None:
        """Give the one the manager asks for, and take its variables out of the environment.

        A program that we start (`[programs]`) must not be able to speak in our name. None where
        nobody listens. The watchdog counts only when it is meant for this process (WATCHDOG_PID,
        sd_watchdog_enabled(3)).
        """
        found = os.environ if environment is None else environment
        address = found.pop("NOTIFY_SOCKET", "")
        usec, pid = found.pop("WATCHDOG_USEC", ""), found.pop("WATCHDOG_PID", "")
        if (
            not address.startswith(("/", "@")) or len(address) < 2
        ):  # vsock: only in virtual machines
            return None
        is_ours = not pid or pid == str(os.getpid())
        has_watchdog = is_ours and usec.isascii() and usec.isdigit() and int(usec) > 0
        return cls(address, int(usec) / 1e6 if has_watchdog else None)

    def ready(self, status: str) -> None:
        """Say that start-up is over: what waits for us may begin."""
        self._send(f"READY=1\nSTATUS={_one_line(status)}", wait_s=_READY_S)

    def status(self, text: str) -> None:
        """Say in words for people how it stands; the same words again are not sent."""
        line = _one_line(text)
        if line != self._status and self._send(f"STATUS={line}"):
            self._status = line

    def alive(self) -> None:
        """Say that real progress is made; without it the manager ends and restarts us."""
        self._send("WATCHDOG=1")

    def stopping(self) -> None:
        """Say that the end has begun."""
        self._send("STOPPING=1\nSTATUS=stopping: keeping what was read")

    def _send(self, text: str, *, wait_s: float = 0.0) -> bool:
        """Whether it was taken. What is said again and again never waits for a busy manager."""
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
                ear.settimeout(wait_s)
                ear.sendto(text.encode(), self._address)
        except OSError:
            return False
        return True


def _one_line(text: str) -> str:
    """Names come from people and meters: none may begin a line of the protocol."""
    clean = "".join(c if c.isprintable() else " " for c in text)
    return clean if len(clean) <= _STATUS_MOST else clean[: _STATUS_MOST - 1] + "…"
