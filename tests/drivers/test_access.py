from __future__ import annotations

import errno
import grp
import os
import socket
import stat
from pathlib import Path

import pytest

from acquire.errors import Unavailable
from drivers.access import advice_for, unavailable


def wrapped(cause: BaseException) -> Exception:
    """An error as pyserial wraps it: the number is only in the cause."""
    error = OSError(f"could not open port: {cause}")
    error.__context__ = cause
    return error


@pytest.mark.parametrize(
    ("cause", "reason", "says"),
    [
        (OSError(errno.ENOENT, "x"), Unavailable.MISSING, "plugged in"),
        (OSError(errno.ENODEV, "x"), Unavailable.MISSING, "plugged in"),
        (OSError(errno.EAGAIN, "x"), Unavailable.TAKEN, "taken by"),
        (OSError(errno.EBUSY, "x"), Unavailable.TAKEN, "end that first"),
        (OSError(errno.EACCES, "x"), Unavailable.FORBIDDEN, "may not be opened"),
        (OSError(errno.ENOTTY, "x"), Unavailable.SETTINGS, "not a serial port"),
        (OSError(errno.ECONNREFUSED, "refused"), Unavailable.MISSING, "no answer"),
        (TimeoutError("timed out"), Unavailable.MISSING, "no answer"),
        (socket.gaierror(-2, "unknown name"), Unavailable.MISSING, "no answer"),
        (ValueError("Not a valid baudrate: 3"), Unavailable.SETTINGS, "baudrate: 3"),
        (OSError(errno.ENOSPC, "odd"), Unavailable.OTHER, "odd"),
    ],
)
def test_the_cause_decides_what_is_said(cause: Exception, reason: Unavailable, says: str) -> None:
    for error in (cause, wrapped(cause)):
        mapped = unavailable("/dev/nothing", error)
        assert mapped.reason is reason
        assert says in str(mapped)
        assert str(mapped).startswith("/dev/nothing ")


def test_a_termios_error_has_its_number_in_its_arguments_only() -> None:
    termios = pytest.importorskip("termios")
    mapped = unavailable("/dev/nothing", wrapped(termios.error(errno.EINVAL, "Invalid argument")))
    assert mapped.reason is Unavailable.SETTINGS


def test_a_loop_of_causes_ends() -> None:
    one, two = OSError("a"), OSError("b")
    one.__context__, two.__context__ = two, one
    assert unavailable("/dev/nothing", one).reason is Unavailable.OTHER


def test_the_group_to_join_is_named_with_the_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    node = tmp_path / "tty"
    node.touch()
    node.chmod(0o660)
    owned = list(node.stat())
    owned[stat.ST_GID] = 20
    monkeypatch.setattr(Path, "stat", lambda _self: os.stat_result(owned))
    monkeypatch.setattr(grp, "getgrgid", lambda gid: grp.struct_group(("dialout", "x", gid, [])))
    advice = advice_for(str(node))
    assert "sudo usermod -aG dialout $USER" in advice
    assert "log in again" in advice


def test_where_joining_a_group_does_not_help_none_is_named(tmp_path: Path) -> None:
    node = tmp_path / "tty"
    node.touch()
    node.chmod(0o600)
    assert "usermod" not in advice_for(str(node))
    assert advice_for(str(tmp_path / "gone"))
