"""Reading a catalogue that people may write: every complaint names file, key, found and allowed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Protocol, TypeVar

from acquire.errors import ConfigError

__all__ = ["Named", "by_name", "pick", "read_catalogue"]

Row = TypeVar("Row")


class Named(Protocol):
    """A row of a catalogue."""

    @property
    def name(self) -> str: ...


Entry = TypeVar("Entry", bound=Named)


def read_catalogue(path: Path, shape: type[Row]) -> Row:
    """Read a TOML file into a dataclass; ConfigError for anything that does not fit.

    pydantic does the checking and is loaded here, not with the module: formulas stay light.
    """
    from pydantic import TypeAdapter, ValidationError  # noqa: PLC0415

    from acquire.toml_file import read_toml  # noqa: PLC0415
    from acquire.validation import from_pydantic  # noqa: PLC0415

    content = read_toml(path)
    try:
        return TypeAdapter(shape).validate_python(content)
    except ValidationError as error:
        for one in error.errors():
            if one["type"] == "unexpected_keyword_argument":  # a misspelt key is the cause of more
                key = ".".join(str(step) for step in one["loc"])
                raise ConfigError("unknown key", file=path, key=key) from error
        raise from_pydantic(error, file=path) from error


def by_name(entries: Iterable[Entry], *, file: object, key: str) -> Mapping[str, Entry]:
    """Index entries by their name; ConfigError for a name given twice."""
    table: dict[str, Entry] = {}
    for entry in entries:
        if entry.name in table:
            raise ConfigError("this name is given twice", file=file, key=key, found=entry.name)
        table[entry.name] = entry
    return table


def pick(table: Mapping[str, Row], name: str, what: str) -> Row:
    """Give the entry of that name; ConfigError with the nearest and all known names."""
    from difflib import get_close_matches  # noqa: PLC0415

    if name in table:
        return table[name]
    near = get_close_matches(name, table, n=1)
    hint = f", did you mean {near[0]}?" if near else ""
    raise ConfigError(f"unknown {what}{hint}", found=name, allowed=", ".join(table))
