"""What a failure of Bluetooth means, in words that say what to do.

Imported with bleak only.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
)

from acquire.errors import MeterUnavailable, Unavailable

__all__ = ["LINK_ERRORS", "explain", "unavailable"]


def _link_errors() -> tuple[type[Exception], ...]:
    """Everything that bleak lets out when a link or its service goes.

    When the D-Bus daemon dies, calls in flight end in a bare EOFError or OSError. Its tables lose
    their rows while it looks things up in them, hence KeyError and AssertionError.
    """
    found: list[type[Exception]] = [BleakError, OSError, EOFError, TimeoutError]
    found += [AssertionError, KeyError]
    try:
        from dbus_fast.errors import AuthError, DBusError  # noqa: PLC0415  (Linux only)
    except ImportError:
        return tuple(found)
    return (*found, AuthError, DBusError)


LINK_ERRORS = _link_errors()

_OFF = (
    Unavailable.OTHER,
    "Bluetooth is switched off: `bluetoothctl power on`, or `rfkill unblock bluetooth`",
)
_NONE = (Unavailable.MISSING, "no Bluetooth adapter: plug one in (`bluetoothctl list` shows them)")
_NO_SERVICE = (
    Unavailable.MISSING,
    "the system's Bluetooth service does not answer: `systemctl start bluetooth`",
)
_FORBIDDEN = (
    Unavailable.FORBIDDEN,
    "this user may not use Bluetooth: allow it in the system's settings (Linux: group bluetooth)",
)
_NOT_AVAILABLE = {
    "NO_BLUETOOTH": _NONE,
    "NO_BLE_CENTRAL_ROLE": (
        Unavailable.SETTINGS,
        "this Bluetooth adapter is too old for Low Energy: use another",
    ),
    "POWERED_OFF": _OFF,
    "DENIED_BY_USER": _FORBIDDEN,
    "DENIED_BY_SYSTEM": _FORBIDDEN,
    "DENIED_BY_UNKNOWN": _FORBIDDEN,
}
_FORGOTTEN = (Unavailable.MISSING, "the system has forgotten the device: it is searched anew")
_DBUS = {
    "org.freedesktop.DBus.Error.ServiceUnknown": _NO_SERVICE,
    "org.freedesktop.DBus.Error.NameHasNoOwner": _NO_SERVICE,
    "org.freedesktop.DBus.Error.NoReply": _NO_SERVICE,
    "org.freedesktop.DBus.Error.AccessDenied": _FORBIDDEN,
    "org.freedesktop.DBus.Error.UnknownObject": _FORGOTTEN,
    "org.bluez.Error.NotReady": _OFF,
    "org.bluez.Error.InProgress": (
        Unavailable.TAKEN,
        "the Bluetooth service is busy with the same thing: it is tried again",
    ),
}


def explain(error: BaseException) -> tuple[Unavailable, str]:
    """Give the reason, and what it means."""
    known: tuple[Unavailable, str] | None = None
    if isinstance(error, BleakBluetoothNotAvailableError):
        known = _NOT_AVAILABLE.get(error.reason.name)
    elif isinstance(error, BleakDBusError):
        known = _DBUS.get(error.dbus_error)
    elif isinstance(error, BleakDeviceNotFoundError):
        known = _FORGOTTEN
    elif isinstance(error, EOFError | ConnectionError | FileNotFoundError):
        known = (Unavailable.MISSING, "the system's message bus (D-Bus) is gone or not running")
    elif isinstance(error, PermissionError):
        known = _FORBIDDEN
    elif isinstance(error, TimeoutError):
        known = (Unavailable.MISSING, "no answer in time")
    return known or (Unavailable.OTHER, f"{error}" or type(error).__name__)


@contextmanager
def unavailable(what: str, late: str) -> Iterator[None]:
    """Turn what bleak raises, and a time-out, into `MeterUnavailable`."""
    try:
        yield
    except TimeoutError as error:
        raise MeterUnavailable(f"{what} {late}".strip(), reason=Unavailable.MISSING) from error
    except LINK_ERRORS as error:
        reason, why = explain(error)
        raise MeterUnavailable(f"{what}: {why}" if what else why, reason=reason) from error
