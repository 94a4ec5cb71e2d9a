"""What a service on this machine is made of: program, configuration, groups, who may read."""

from __future__ import annotations

import grp
import os
import pwd
import stat
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from acquire.config import Config
from acquire.errors import ConfigError
from acquire.paths import home
from acquire.service_unit import STATE, Service
from acquire.toml_file import read_toml

__all__ = ["service_here", "unit_file"]

GROUPS = ("dialout", "uucp", "bluetooth")
"""Who may open serial ports (by the names of different distributions) and ask for Bluetooth."""
SYSTEM_UNITS = Path("/etc/systemd/system")
HOMES = (Path("/home"), Path("/root"), Path("/run/user"))
"""What ProtectHome= hides (systemd.exec(5))."""


@dataclass(frozen=True, slots=True)
class _Reader:
    """Somebody who wants to read a file: nobody in particular, or a user by number and groups."""

    uid: int | None
    gids: Sequence[int]

    def may(self, path: Path, *, enter: bool) -> bool:
        """Whether the permissions let them read the file, or go through the folder."""
        found = path.stat()
        wanted = stat.S_IXOTH if enter else stat.S_IROTH
        if self.uid == 0:
            return True
        if self.uid == found.st_uid:
            return bool(found.st_mode & wanted << 6)
        if found.st_gid in self.gids:
            return bool(found.st_mode & wanted << 3)
        return bool(found.st_mode & wanted)


def unit_file(*, for_system: bool) -> Path:
    """Where the unit stands: the machine's folder, or the person's own (systemd.unit(5))."""
    if for_system:
        return SYSTEM_UNITS / "ouzel.service"
    base = os.environ.get("XDG_CONFIG_HOME", "")
    root = Path(base) if base and Path(base).is_absolute() else home() / ".config"
    return root / "systemd" / "user" / "ouzel.service"


def service_here(config: Config, *, for_system: bool, owner: str = "") -> Service:
    """Give the service that runs this ouzel with this configuration.

    Raises:
        ConfigError: it could not read its program or configuration, or not write its store.

    """
    if config.file is None:
        raise ConfigError("a service needs a configuration: write ouzel.toml, or name it: --config")
    if not config.meters:
        raise ConfigError(
            "no meter is configured: `ouzel find` lists the ports and what to write",
            file=config.file,
            key="meters",
        )
    program, file = _program(), config.file.absolute()
    if not for_system:
        return Service(program, file, for_system=False)
    reader = _reader(owner)
    for needed in (program, Path(sys.executable).resolve(), file):
        _require_readable(needed, reader, owner)
    seen = [str(path.resolve()) for path in (program, Path(sys.executable), file)]
    return Service(
        program,
        file,
        for_system=True,
        user=owner,
        groups=[name for name in GROUPS if _is_group(name)],
        secrets=dict(_secrets(config)),
        writable=_writable(file, config.store.path, owner),
        sees_home=any(Path(path).is_relative_to(root) for path in seen for root in HOMES),
    )


def _program() -> Path:
    """The `ouzel` beside this Python: it stays where it is when the package is upgraded."""
    program = Path(sys.executable).parent / "ouzel"
    if not program.is_file():
        raise ConfigError(f"{program} is not there: install ouzel (`pipx install .`), then again")
    return program


def _is_group(name: str) -> bool:
    try:
        grp.getgrnam(name)
    except KeyError:
        return False
    return True


def _reader(owner: str) -> _Reader:
    if not owner:
        return _Reader(None, ())
    try:
        found = pwd.getpwnam(owner)
    except KeyError as error:
        raise ConfigError("no such user on this machine", key="--owner", found=owner) from error
    return _Reader(found.pw_uid, os.getgrouplist(owner, found.pw_gid))


def _require_readable(path: Path, reader: _Reader, owner: str) -> None:
    """A unit that systemd cannot start says only `203/EXEC`; this says why, before."""
    real = path.resolve()
    closed = [folder for folder in real.parents if not reader.may(folder, enter=True)]
    if not closed and reader.may(real, enter=False):
        return
    who = owner or "the service's own user"
    where = closed[-1] if closed else real
    raise ConfigError(
        f"{who} may not read {real} ({where} is closed to others)",
        allowed="ouzel and its configuration where everybody may read, such as /opt and /etc; "
        "or --owner with a user who may",
    )


def _secrets(config: Config) -> Iterator[tuple[str, Path]]:
    """Files that stay closed to the service's user and are handed to it by their key."""
    meters = ((f"meters.{name}", meter.settings) for name, meter in config.meters.items())
    for name, table in (("mqtt", config.mqtt), ("page", config.page), *meters):
        for key in ("password_file", "key_file"):
            path = getattr(table, key, None)
            if path:
                yield f"{name}.{key}", Path(path).absolute()


def _writable(file: Path, store: Path, owner: str) -> Sequence[Path]:
    """The folder of a store that the configuration puts elsewhere than the state directory."""
    table = read_toml(file).get("store", {})
    if "path" not in table or store.absolute().is_relative_to(STATE):
        return ()
    if not owner:
        raise ConfigError(
            "a service with a user of its own writes in its state directory only",
            file=file,
            key="store.path",
            found=str(store),
            allowed=f"a path below {STATE}, or leave it out; or --owner with a user",
        )
    return (store.absolute().parent,)
