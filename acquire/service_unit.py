"""Writes the systemd unit of `ouzel serve`: pure text, every setting with its reason beside it.

Settings are those of systemd.service(5), systemd.exec(5) and systemd.resource-control(5). What an
older systemd does not know it warns of and leaves out.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

__all__ = ["MARK", "STATE", "Service", "quoted", "unit_text"]

MARK = "# Written by `ouzel service install`."
"""The first line of every unit of ours: no other file is ever replaced or removed."""
STATE = "/var/lib/ouzel"
"""Where a system service keeps its store: StateDirectory= below it."""


@dataclass(frozen=True, slots=True)
class Service:
    """What the unit is made from."""

    program: Path
    """The `ouzel` to start, as an absolute path."""
    config: Path
    for_system: bool
    """For the whole machine, in place of one person."""
    user: str = ""
    """Whose a system service is; empty: a user that exists only while it runs."""
    groups: Sequence[str] = ()
    """Groups that may open serial ports and talk to the Bluetooth daemon; they exist here."""
    secrets: Mapping[str, Path] = field(default_factory=dict)
    """Files with secrets that the configuration names, by their keys (``mqtt.password_file``)."""
    writable: Sequence[Path] = ()
    """Folders outside the state directory that it must write."""
    sees_home: bool = False
    """Program or configuration lie in somebody's home folder."""


def unit_text(service: Service) -> str:
    """Give the unit file; ValueError where a path has no place in one (see `quoted`)."""
    lines = [
        MARK,
        "# Changes made here are lost at the next install; put them into a drop-in:",
        f"#   systemctl {'' if service.for_system else '--user '}edit ouzel",
        "",
        *_unit(service),
        "",
        *_service(service),
        "",
        "[Install]",
        f"WantedBy={'multi-user' if service.for_system else 'default'}.target",
    ]
    return "\n".join(lines) + "\n"


def quoted(text: str) -> str:
    """Write a word of a command line: no space, quote, % or $ in it means anything (quoting of
    systemd.syntax(7); % of systemd.unit(5), $ of systemd.service(5)).

    Raises:
        ValueError: it holds a control character, for which a unit file is no place.

    """
    text = (
        _printable(text)
        .replace("\\", "\\\\")
        .replace('"', '\\"')
        .replace("%", "%%")
        .replace("$", "$$")
    )
    return f'"{text}"'


def _printable(text: str) -> str:
    if not text.isprintable():
        raise ValueError(f"a control character in {text!r}")
    return text


def _path(path: Path) -> str:
    """Write a path where systemd reads a list of paths: quoted, % doubled, $ as it is."""
    return quoted(str(path)).replace("$$", "$")


def _said(reason: str, *settings: str) -> Iterator[str]:
    yield from textwrap.wrap(reason, 98, initial_indent="# ", subsequent_indent="# ")
    yield from settings


def _unit(service: Service) -> Iterator[str]:
    yield "[Unit]"
    yield "Description=ouzel reads water probes and keeps the record"
    if service.for_system:
        yield from _said(
            "An order only, nothing is required: without network or Bluetooth it still records.",
            "After=network.target bluetooth.service",
        )
        yield from _said(
            "Captures carry the date: where something sets the clock at boot, wait for it.",
            "After=time-sync.target",
        )
    yield from _said(
        "Under a sink nobody is there to say `start` again.", "StartLimitIntervalSec=0"
    )


def _service(service: Service) -> Iterator[str]:
    yield "[Service]"
    yield from _said(
        "It says itself when configuration and store are up; a start that fails is seen.",
        "Type=notify",
        "NotifyAccess=main",
    )
    program, config = quoted(str(service.program)), quoted(str(service.config))
    yield f"ExecStart={program} serve --config {config}"
    yield from _said(
        "It says that it is alive only while meters are read or tried and the store is written.",
        "WatchdogSec=120",
    )
    yield from _said(
        "After a crash, a kill or a missed watchdog.", "Restart=on-failure", "RestartSec=5"
    )
    yield from _said(
        "2: the configuration cannot be used. Starting again would not mend it.",
        "RestartPreventExitStatus=2",
    )
    yield from _said("A stop makes captures final and writes what waits.", "TimeoutStopSec=30")
    yield from _said(
        "A large store that is brought up to date after an upgrade takes its time.",
        "TimeoutStartSec=15min",
    )
    yield from _said(
        "Lines for people go to the journal; readings do not: they are in the store.",
        "StandardOutput=journal",
        "StandardError=journal",
    )
    yield ""
    if service.for_system:
        yield from _whose(service)
        yield from _files(service)
        yield from _devices()
        yield from _kernel()
    yield from _everywhere()


def _whose(service: Service) -> Iterator[str]:
    yield "# -- who it is, and what is its own"
    if service.user:
        yield from _said("A person chose the owner.", f"User={service.user}")
    else:
        yield from _said(
            "A user that exists only while it runs and owns nothing but its state directory.",
            "DynamicUser=yes",
        )
    if service.groups:
        yield from _said(
            "Serial ports, and the Bluetooth daemon, belong to these groups.",
            f"SupplementaryGroups={' '.join(service.groups)}",
        )
    yield from _said(
        f"The store: {STATE}, made and owned by this service, nobody else reads it.",
        "StateDirectory=ouzel",
        "StateDirectoryMode=0700",
        f"Environment=XDG_DATA_HOME={STATE.removesuffix('/ouzel')}",
    )
    if service.secrets:
        yield from _said(
            "Secrets stay root's; the service gets a copy that only it can read.",
            *(f"LoadCredential={key}:{_credential(path)}" for key, path in service.secrets.items()),
        )
    yield ""


def _credential(path: Path) -> str:
    return _printable(str(path)).replace("%", "%%")


def _files(service: Service) -> Iterator[str]:
    yield "# -- which files it sees"
    yield from _said("It writes its record and nothing else.", "ProtectSystem=strict")
    if service.sees_home:
        yield from _said(
            "Program or configuration are in a home folder: seen, never written.",
            "ProtectHome=read-only",
        )
    else:
        yield from _said("It has nothing to look for in home folders.", "ProtectHome=yes")
    if service.writable:
        yield from _said(
            "The configuration keeps the store here.",
            f"ReadWritePaths={' '.join(_path(path) for path in service.writable)}",
        )
    yield from _said("Its temporary files are seen by nobody else.", "PrivateTmp=yes")
    yield from _said(
        "Other people's processes are not its business. (/proc/sys stays: the boot's id is kept.)",
        "ProtectProc=invisible",
    )
    yield ""


def _devices() -> Iterator[str]:
    yield "# -- which devices it opens"
    yield from _said(
        "Serial ports only: USB, built in, on the pins, over Bluetooth; and pseudo-terminals.",
        "DevicePolicy=closed",
        "DeviceAllow=char-ttyUSB rw",
        "DeviceAllow=char-ttyACM rw",
        "DeviceAllow=char-ttyS rw",
        "DeviceAllow=char-ttyAMA rw",
        "DeviceAllow=char-rfcomm rw",
    )
    yield ""


def _kernel() -> Iterator[str]:
    yield "# -- what of the machine it may touch: nothing"
    yield from _said(
        "No right of root's, now or later.", "CapabilityBoundingSet=", "AmbientCapabilities="
    )
    yield from _said(
        "Settings of the kernel, its modules, its log and the control groups are root's.",
        "ProtectKernelTunables=yes",
        "ProtectKernelModules=yes",
        "ProtectKernelLogs=yes",
        "ProtectControlGroups=yes",
    )
    yield from _said(
        "It notices that the clock was set; setting it, or the machine's name, is not its work.",
        "ProtectClock=yes",
        "ProtectHostname=yes",
    )
    yield from _said("Nothing it makes outlives it in shared memory.", "RemoveIPC=yes")
    yield ""


def _everywhere() -> Iterator[str]:
    """What needs no right of root's and so holds for a person's own service too."""
    yield "# -- what a program that reads foreign bytes should not be able to do"
    yield from _said("Become more than it is by starting something.", "NoNewPrivileges=yes")
    yield from _said("Make files that others on the machine read.", "UMask=0077")
    yield from _said(
        "Talk otherwise than to broker and phone (IP), D-Bus and manager (UNIX), or ask for more "
        "than which addresses the machine has (NETLINK).",
        "RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6 AF_NETLINK",
    )
    yield from _said(
        "Call what no service needs: mounting, modules, debugging. Refused is an error, no kill.",
        "SystemCallFilter=@system-service",
        "SystemCallFilter=~@privileged",
        "SystemCallErrorNumber=EPERM",
        "SystemCallArchitectures=native",
    )
    yield from _said("Turn data into code.", "MemoryDenyWriteExecute=yes")
    yield from _said(
        "Leave its room: namespaces, another kernel personality, set-user-ID files, real-time.",
        "RestrictNamespaces=yes",
        "LockPersonality=yes",
        "RestrictSUIDSGID=yes",
        "RestrictRealtime=yes",
    )
    yield from _said("Leave its memory, with secrets in it, on the disk.", "LimitCORE=0")
    yield from _said(
        "Take a small board with it, should it ever grow.", "MemoryMax=256M", "TasksMax=64"
    )
