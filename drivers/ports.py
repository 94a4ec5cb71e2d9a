"""Serial ports, known by what stays the same: never by the number the system happened to give.

A port is written as

* ``usb:VID:PID:SERIAL`` - USB vendor, product (hexadecimal) and serial number;
* ``usb:VID:PID@LOCATION`` - the same without a serial number, or where several have the same one:
  the socket it is plugged into;
* a path such as ``/dev/serial/by-id/...`` or ``/dev/pts/3``;
* a URL such as ``socket://192.0.2.7:4001`` or ``rfc2217://192.0.2.7:4001``.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Protocol

from acquire.errors import ConfigError, MeterUnavailable, Unavailable
from acquire.paths import exists, expand
from drivers.access import advice_for
from drivers.holders import holders

__all__ = ["Listed", "PortInfo", "identity_of", "is_port", "is_url"]
__all__ += ["not_a_port", "resolve", "serial_ports"]

PORT_FORMS = "a path, usb:VID:PID:SERIAL, usb:VID:PID@LOCATION or a URL (see `ouzel find`)"

_URL = re.compile(r"[a-z][a-z0-9+.-]*://.*", re.DOTALL)
_USB = re.compile(r"usb:([0-9a-f]{4}):([0-9a-f]{4})(?::(.+)|@(.+))", re.IGNORECASE | re.DOTALL)
_WINDOWS = re.compile(r"COM[0-9]+", re.IGNORECASE)
_BY_ID = Path("/dev/serial/by-id")


class Listed(Protocol):
    """What is used of a port as pyserial lists it."""

    device: str
    description: str | None
    vid: int | None
    pid: int | None
    serial_number: str | None
    location: str | None


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A serial port of this machine."""

    device: str
    """Where it is now; may change with every plugging in."""
    identity: str
    """What to write into the configuration."""
    description: str = ""
    vid: int | None = None
    pid: int | None = None
    serial: str = ""
    location: str = ""
    by_id: str = ""
    """The link under /dev/serial/by-id, where there is one."""
    state: Literal["free", "busy", "forbidden"] = "free"
    advice: str = ""
    """What to do about a port that is not free."""


def is_url(port: str) -> bool:
    return _URL.fullmatch(port) is not None


def is_port(port: str) -> bool:
    """Whether this is one of the forms a port may be written in."""
    forms = (_URL, _USB, _WINDOWS)
    return "/" in port or any(form.fullmatch(port) for form in forms)


def not_a_port(said: str) -> str:
    """Say what is wrong with what is in none of those forms."""
    is_name = re.fullmatch(r"[A-Za-z0-9._-]{1,40}", said) is not None
    return f"not a port (for a file here write ./{said})" if is_name else "not a port"


def serial_ports(ports: Iterable[Listed] | None = None, by_id: Path = _BY_ID) -> list[PortInfo]:
    """List the serial ports. None is opened: opening restarts some meters."""
    named = _named(ports)
    links = _links(by_id)
    held = holders(port.device for _, port in named)
    found = []
    for identity, port in named:
        state, advice = _state(port.device, held)
        found.append(
            PortInfo(
                port.device,
                identity,
                _plain(port.description),
                port.vid,
                port.pid,
                _plain(port.serial_number),
                _plain(port.location),
                links.get(os.path.realpath(port.device), ""),
                state,
                advice,
            )
        )
    return found


def resolve(port: str, ports: Iterable[Listed] | None = None) -> str:
    """Give the path or URL to open now; `MeterUnavailable` when nothing there answers to it."""
    if is_url(port) or _WINDOWS.fullmatch(port):
        return port
    usb = _USB.fullmatch(port)
    if usb:
        return _resolve_usb(port, usb, list(_comports() if ports is None else ports))
    if "/" not in port:
        raise MeterUnavailable(
            f"{not_a_port(port)}, found {port!r}; allowed: {PORT_FORMS}",
            reason=Unavailable.SETTINGS,
        )
    try:
        path = expand(port)
        is_there = exists(path)
    except ConfigError as error:
        is_forbidden = isinstance(error.__cause__, PermissionError)
        raise MeterUnavailable(
            f"{port}: {error.problem}",
            reason=Unavailable.FORBIDDEN if is_forbidden else Unavailable.SETTINGS,
        ) from error
    if not is_there:
        raise _missing(port, ports)
    return str(path)


def identity_of(device: str, ports: Iterable[Listed] | None = None) -> str:
    """Give the stable name of a port; of one that has none, the path or URL itself."""
    if is_url(device):
        return device
    real = os.path.realpath(device)
    for identity, port in _named(ports):
        if os.path.realpath(port.device) == real:
            return device if identity == port.device else identity
    return device


def _resolve_usb(port: str, usb: re.Match[str], listed: list[Listed]) -> str:
    vid, pid, serial, location = int(usb[1], 16), int(usb[2], 16), usb[3], usb[4]
    matching = [
        one
        for one in listed
        if (one.vid, one.pid) == (vid, pid)
        and (one.serial_number == serial if serial else one.location == location)
    ]
    if not matching:
        raise _missing(port, listed)
    if len(matching) > 1:
        names = ", ".join(_identity(one, by_location=True) for one in matching)
        raise MeterUnavailable(
            f"{port} is {len(matching)} ports at once; name one by its socket: {names}",
            reason=Unavailable.SETTINGS,
        )
    return matching[0].device


def _missing(port: str, ports: Iterable[Listed] | None) -> MeterUnavailable:
    there = ", ".join(identity for identity, _ in _named(ports)) or "none"
    return MeterUnavailable(
        f"{port} is not there: is the meter plugged in? Ports now: {there}",
        reason=Unavailable.MISSING,
    )


def _named(ports: Iterable[Listed] | None) -> list[tuple[str, Listed]]:
    """Give each port with its stable name, in the order of their devices."""
    listed = sorted(_comports() if ports is None else ports, key=lambda port: port.device)
    names = Counter(_identity(port) for port in listed)
    return [
        # Cheap converters all carry the same serial number: then the socket has to tell them apart.
        (_identity(port, by_location=names[_identity(port)] > 1), port)
        for port in listed
    ]


def _comports() -> list[Listed]:
    from serial.tools import list_ports  # noqa: PLC0415  (loads only for a look-up)

    return list(list_ports.comports())  # type: ignore[attr-defined,no-untyped-call]


def _identity(port: Listed, *, by_location: bool = False) -> str:
    if port.vid is None or port.pid is None:
        return port.device
    name = f"usb:{port.vid:04X}:{port.pid:04X}"
    if port.serial_number and not by_location:
        return f"{name}:{port.serial_number}"
    return f"{name}@{port.location}" if port.location else port.device


def _state(
    device: str, held: Mapping[str, str]
) -> tuple[Literal["free", "busy", "forbidden"], str]:
    if not os.access(device, os.R_OK | os.W_OK):
        return "forbidden", advice_for(device)
    if device in held:
        return "busy", f"open in {held[device]}"
    return "free", ""


def _links(by_id: Path) -> dict[str, str]:
    try:
        return {os.path.realpath(link): str(link) for link in sorted(by_id.iterdir())}
    except OSError:
        return {}


def _plain(text: str | None) -> str:
    """What a device says of itself, printable: it is as hostile as any other input."""
    return "".join(one if one.isprintable() else "?" for one in text or "")[:120]
