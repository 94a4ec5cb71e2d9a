"""Finds drivers and simulators by name, so that the program imports neither.

Built-in drivers stand in a literal table; others come by the entry-point group `ouzel.drivers`,
scanned only for a name the table does not know (the scan costs as long as starting Python).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from importlib import import_module
from typing import Any, cast

from acquire.errors import ConfigError
from acquire.meter import DriverClass

__all__ = ["BUILT_IN_DRIVERS", "FoundDriver", "all_drivers", "driver_class", "load"]

BUILT_IN_DRIVERS = {
    "by_hand": "drivers.by_hand:ByHand",
    "adverts": "drivers.adverts:Adverts",
    "gatt": "drivers.gatt:Gatt",
    "modbus": "drivers.modbus:Modbus",
    "replay": "drivers.replay:Replay",
    "sdi12": "drivers.sdi12:Sdi12",
    "text_lines": "drivers.text_lines:TextLines",
}
GROUP = "ouzel.drivers"


@dataclass(frozen=True, slots=True)
class FoundDriver:
    """A driver there is, whether or not it can be used."""

    name: str
    """What to write behind `driver =`."""
    origin: str
    """``built in``, or the package and version it came with."""
    target: str
    """``module:Class``."""
    about: str = ""
    """The first line of its description."""
    error: str = ""
    """Why it cannot be used; empty when it can."""


def load(target: str) -> Any:
    """Import `module:name` and give the object."""
    module, _, name = target.partition(":")
    return getattr(import_module(module), name)


def driver_class(name: str) -> DriverClass:
    """Give the driver of that name; ConfigError names those there are, or the plugin that broke."""
    if name in BUILT_IN_DRIVERS:
        return cast("DriverClass", load(BUILT_IN_DRIVERS[name]))
    from importlib.metadata import entry_points  # noqa: PLC0415  (the scan is slow)

    # Of two with one name the same wins as in `all_drivers`, whatever order they were found in.
    points = sorted(entry_points(group=GROUP), key=lambda one: (one.name, one.value), reverse=True)
    plugins = {point.name: point for point in points}
    if name not in plugins:
        raise ConfigError(
            "unknown driver", found=name, allowed=", ".join([*BUILT_IN_DRIVERS, *plugins])
        )
    try:
        return cast("DriverClass", plugins[name].load())
    except (Exception, SystemExit) as error:  # a foreign package may raise anything when imported
        raise ConfigError(
            f"the driver plugin {name!r} ({plugins[name].value}) does not load: {error!r}"
        ) from error


def all_drivers() -> list[FoundDriver]:
    """Load every driver there is; one that breaks is listed with its error and harms no other."""
    return [*_built_in(), *_plugged_in()]


def _built_in() -> Iterator[FoundDriver]:
    for name, target in BUILT_IN_DRIVERS.items():
        yield _tried(name, "built in", target, "")


def _plugged_in() -> Iterator[FoundDriver]:
    from importlib.metadata import entry_points  # noqa: PLC0415  (the scan is slow)

    seen = dict.fromkeys(BUILT_IN_DRIVERS, "the built-in driver")
    for point in sorted(entry_points(group=GROUP), key=lambda one: (one.name, one.value)):
        package = point.dist
        origin = "an unknown package" if package is None else f"{package.name} {package.version}"
        hidden = f"never used: {seen[point.name]} has its name" if point.name in seen else ""
        seen.setdefault(point.name, f"the one of {origin}")
        yield _tried(point.name, origin, point.value, hidden)


def _tried(name: str, origin: str, target: str, hidden: str) -> FoundDriver:
    """Load one and see whether it has what `acquire.meter.Driver` asks for."""
    if hidden:
        return FoundDriver(name, origin, target, error=hidden)
    try:
        found = load(target)
        lacking = [part for part in ("Settings", "open") if not hasattr(found, part)]
    except (Exception, SystemExit) as error:  # noqa: BLE001  (foreign code may raise anything)
        return FoundDriver(name, origin, target, error=f"does not load: {error!r}")
    if not callable(found) or lacking:
        why = f"is no driver: it lacks {' and '.join(lacking)}" if lacking else "is no class"
        return FoundDriver(name, origin, target, error=why)
    about = (found.__doc__ or "").strip().partition("\n")[0]
    return FoundDriver(name, origin, target, about)
