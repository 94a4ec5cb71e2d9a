"""The border to pyserial: its errors become ours here, once, with what to do about them."""

from __future__ import annotations

import errno
import socket
import stat
from importlib import import_module
from pathlib import Path
from typing import Any, Protocol

from acquire.errors import MeterUnavailable, Unavailable
from drivers.holders import holder_of

__all__ = ["Port", "advice_for", "port_errors", "pyserial", "unavailable"]

_MISSING = {errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.EIO, errno.ENOTDIR}
_UNREACHABLE = {
    errno.ECONNREFUSED,
    errno.EHOSTUNREACH,
    errno.ENETUNREACH,
    errno.ETIMEDOUT,
    errno.ECONNRESET,
    errno.EADDRNOTAVAIL,
}
_TAKEN = {errno.EAGAIN, errno.EBUSY, errno.EWOULDBLOCK}
_FORBIDDEN = {errno.EACCES, errno.EPERM}


class Port(Protocol):
    """What is used of a port that pyserial has opened."""

    break_condition: bool

    @property
    def in_waiting(self) -> int: ...
    def fileno(self) -> int: ...
    def read(self, size: int) -> bytes: ...
    def write(self, data: bytes) -> int | None: ...
    def send_break(self, duration: float) -> None: ...
    def reset_input_buffer(self) -> None: ...
    def reset_output_buffer(self) -> None: ...
    def close(self) -> None: ...


def pyserial() -> Any:
    """Load pyserial; a program without a serial meter never does."""
    return import_module("serial")


def port_errors() -> tuple[type[Exception], ...]:
    """Everything pyserial lets out; termios.error is neither OSError nor SerialException."""
    try:
        termios = import_module("termios")
    except ImportError:
        return (pyserial().SerialException, OSError)
    return (pyserial().SerialException, OSError, termios.error)


def unavailable(port: str, error: BaseException) -> MeterUnavailable:
    """Say why a port could not be opened and what helps.

    pyserial wraps the cause in an error of its own, often without its number, so the whole chain
    is searched.
    """
    for cause in _chain(error):
        known = _explain(port, cause)
        if known is not None:
            reason, why = known
            return MeterUnavailable(f"{port} {why}", reason=reason)
    return MeterUnavailable(f"{port} cannot be opened: {error}")


def _explain(port: str, cause: BaseException) -> tuple[Unavailable, str] | None:
    code = _number(cause)
    known: tuple[Unavailable, str] | None = None
    if code in _MISSING:
        why = "is not there: is the meter plugged in? `ouzel find` lists the ports"
        known = (Unavailable.MISSING, why)
    elif code in _UNREACHABLE or isinstance(cause, TimeoutError | socket.gaierror):
        why = f"gives no answer ({cause}): is the far end switched on, the address right?"
        known = (Unavailable.MISSING, why)
    elif code in _TAKEN:
        holder = holder_of(port) or "another program"
        known = (Unavailable.TAKEN, f"is taken by {holder}: end that first, a port has one owner")
    elif code in _FORBIDDEN:
        known = (Unavailable.FORBIDDEN, f"may not be opened by this user: {advice_for(port)}")
    elif code == errno.ENOTTY:
        known = (Unavailable.SETTINGS, "is not a serial port")
    elif code == errno.EINVAL or isinstance(cause, ValueError):
        known = (Unavailable.SETTINGS, f"cannot be opened with these settings: {cause}")
    return known


def advice_for(device: str) -> str:
    """Say how to get the right to open a port: the group that owns its node, where one does."""
    try:
        import grp  # noqa: PLC0415  (POSIX only)

        status = Path(device).stat()
        group = grp.getgrgid(status.st_gid).gr_name
    except (ImportError, OSError, KeyError):
        return "ask for the right to read and write it"
    shared = stat.S_IRGRP | stat.S_IWGRP
    if status.st_mode & shared != shared or status.st_gid == 0:
        return f"its owner must allow it (now {stat.filemode(status.st_mode)}, group {group})"
    return f"join the group {group}: sudo usermod -aG {group} $USER, then log in again"


def _chain(error: BaseException | None) -> list[BaseException]:
    chain: list[BaseException] = []
    while error is not None and error not in chain:
        chain.append(error)
        error = error.__cause__ or error.__context__
    return chain


def _number(error: BaseException) -> int | None:
    """The error number; termios.error carries it as its first argument only."""
    number = getattr(error, "errno", None)
    if number is None and error.args and isinstance(error.args[0], int):
        number = error.args[0]
    return number
