"""Finds drivers and simulators by name, so that the program imports neither.

Built-in drivers stand in a literal table; others come by the entry-point group `ouzel.drivers`,
scanned only for a name the table does not know (the scan costs as long as starting Python).
"""

from __future__ import annotations

from importlib import import_module
from typing import Any, cast

from acquire.errors import ConfigError
from acquire.meter import DriverClass

__all__ = ["BUILT_IN_DRIVERS", "driver_class", "load"]

BUILT_IN_DRIVERS = {
    "text_lines": "drivers.text_lines:TextLines",
}
GROUP = "ouzel.drivers"


def load(target: str) -> Any:
    """Import `module:name` and give the object."""
    module, _, name = target.partition(":")
    return getattr(import_module(module), name)


def driver_class(name: str) -> DriverClass:
    """Give the driver of that name; ConfigError names those there are, or the plugin that broke."""
    if name in BUILT_IN_DRIVERS:
        return cast("DriverClass", load(BUILT_IN_DRIVERS[name]))
    from importlib.metadata import entry_points  # noqa: PLC0415  (the scan is slow)

    plugins = {point.name: point for point in entry_points(group=GROUP)}
    if name not in plugins:
        raise ConfigError(
            "unknown driver", found=name, allowed=", ".join([*BUILT_IN_DRIVERS, *plugins])
        )
    try:
        return cast("DriverClass", plugins[name].load())
    except Exception as error:  # a foreign package may raise anything while it is imported
        raise ConfigError(
            f"the driver plugin {name!r} ({plugins[name].value}) does not load: {error!r}"
        ) from error
