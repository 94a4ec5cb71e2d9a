"""What a failure of Bluetooth means: reason and words that say what to do."""

from __future__ import annotations

import pytest
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
)

from acquire.errors import MeterUnavailable, Unavailable
from drivers.ble_words import LINK_ERRORS, explain, unavailable


@pytest.mark.parametrize("reason", list(BleakBluetoothNotAvailableReason))
def test_every_reason_has_words(reason: BleakBluetoothNotAvailableReason) -> None:
    found, words = explain(BleakBluetoothNotAvailableError("why", reason))
    assert isinstance(found, Unavailable)
    assert len(words) > 10


@pytest.mark.parametrize(
    ("error", "reason", "words"),
    [
        (BleakDBusError("org.freedesktop.DBus.Error.ServiceUnknown", []), "missing", "systemctl"),
        (BleakDBusError("org.freedesktop.DBus.Error.AccessDenied", []), "forbidden", "may not"),
        (BleakDBusError("org.bluez.Error.NotReady", []), "other", "switched off"),
        (BleakDBusError("org.bluez.Error.InProgress", []), "taken", "busy"),
        (BleakDBusError("org.bluez.Error.Strange", ["odd"]), "other", "odd"),
        (BleakDeviceNotFoundError("C0:FF:EE:00:00:01"), "missing", "searched anew"),
        (FileNotFoundError(2, "no"), "missing", "D-Bus"),
        (ConnectionRefusedError(111, "no"), "missing", "D-Bus"),
        (EOFError(), "missing", "D-Bus"),
        (PermissionError(13, "no"), "forbidden", "may not"),
        (TimeoutError(), "missing", "in time"),
        (BleakError("some text"), "other", "some text"),
        (AssertionError(), "other", "AssertionError"),
    ],
)
def test_a_failure_is_explained(error: Exception, reason: str, words: str) -> None:
    found, text = explain(error)
    assert found == reason
    assert words in text
    assert isinstance(error, LINK_ERRORS)


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (BleakDBusError("org.bluez.Error.NotReady", []), r"^probe: Bluetooth is switched off"),
        (TimeoutError(), r"^probe is late$"),
    ],
)
def test_failures_become_ours_with_their_cause(error: Exception, words: str) -> None:
    with pytest.raises(MeterUnavailable, match=words) as caught, unavailable("probe", "is late"):
        raise error
    assert caught.value.__cause__ is error


def test_a_bug_stays_a_bug() -> None:
    with pytest.raises(ZeroDivisionError), unavailable("probe", "is late"):
        raise ZeroDivisionError


def test_a_bus_that_lets_nobody_in_is_a_failure_too() -> None:
    errors = pytest.importorskip("dbus_fast.errors", reason="only Linux has D-Bus")
    with pytest.raises(MeterUnavailable), unavailable("probe", "is late"):
        raise errors.AuthError
