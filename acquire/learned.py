"""Writes down a meter that was learnt: its profile, and its table in the configuration."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from acquire.clock import Clock
from acquire.config import NAME, MeterConfig, load, meter
from acquire.errors import ConfigError
from acquire.readings import utc_text
from acquire.registry import load as piece

__all__ = ["add_meter", "fields_json", "free_name", "read_with", "table_text"]
__all__ += ["why_not_writable", "write_profile"]


def write_profile(out: Path, table: Mapping[str, Any], found: Any, clock: Clock) -> None:
    """Write a profile, whole or not at all; ConfigError when it is there or cannot be."""
    comments = [
        f"Learned by ouzel on {utc_text(clock.now().at_ms)[:10]} from lines like",
        f"    {found.lines.texts[-1]}",
        *(f"{one.quantity}: {one.why}" for one in found.chosen if not one.is_sure),
    ]
    try:
        with out.open("x", encoding="utf-8") as file:
            file.write(piece("drivers.learning_profile:toml")(table, comments))
    except OSError as error:
        raise ConfigError(f"cannot be written: {error.strerror or error}", file=out) from error


def table_text(name: str, profile: str, port: str) -> str:
    """Give a meter's table as it goes into the configuration, the port by its stable name."""
    stable = piece("drivers.ports:identity_of")(port) if "://" not in port else port
    table = {"meters": {name: {"profile": profile, "port": stable}}}
    return str(piece("drivers.learning_profile:toml")(table))


def free_name(folder: Path) -> Path:
    """Give a file for a profile that does not exist yet."""
    names = ("learned.toml", *(f"learned-{number}.toml" for number in range(2, 1000)))
    return next(path for path in (folder / name for name in names) if not path.exists())


def fields_json(found: Any) -> list[dict[str, Any]]:
    """What each number of a line is taken for."""
    return [
        {
            "number": place,
            "label": one.slot.label,
            "shown": one.slot.shown[-1] if one.slot.shown else "",
            "quantity": one.quantity,
            "unit": one.unit,
            "why": one.why,
            "sure": one.is_sure,
        }
        for place, one in enumerate(found.proposals, start=1)
    ]


def why_not_writable(file: Path) -> str:
    """Say why a configuration cannot be written by this user; empty when it can."""
    if file.exists() and not os.access(file, os.W_OK):
        return f"{file} cannot be written by this user"
    if not os.access(file.parent, os.W_OK):
        return f"nothing can be written into {file.parent} by this user"
    return ""


def add_meter(file: Path, name: str, text: str) -> MeterConfig:
    """Put a meter's table at the end of a configuration; the file changes only if all is valid."""
    if not NAME.fullmatch(name):
        raise ConfigError(
            "no name of a meter", found=name, allowed="a small letter, then a-z 0-9 _ -, to 32"
        )
    before = file.read_text("utf-8") if file.exists() else ""
    if name in load(file if file.exists() else None).meters:
        raise ConfigError("there is a meter of that name", file=file, found=name)
    gap = "" if not before else "\n" if before.endswith("\n") else "\n\n"
    descriptor, written = tempfile.mkstemp(".toml", f"{file.name}.", file.parent)
    unfinished = Path(written)
    try:
        with os.fdopen(descriptor, "w", encoding="utf-8") as new:
            new.write(before + gap + text.rstrip("\n") + "\n")
            new.flush()
            os.fsync(new.fileno())
        unfinished.chmod(file.stat().st_mode & 0o777 if file.exists() else 0o644)
        made = load(unfinished).meters[name]
        unfinished.replace(file)
    except OSError as error:
        raise ConfigError(f"cannot be written: {error.strerror or error}", file=file) from error
    finally:
        with suppress(OSError):
            unfinished.unlink(missing_ok=True)
    return made


def read_with(name: str, profile: Path, port: str) -> MeterConfig:
    """Give a meter of a profile, to be read before it is in any configuration."""
    return meter(name, {"driver": "text_lines", "profile": str(profile.absolute()), "port": port})
