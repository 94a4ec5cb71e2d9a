"""Reads TOML files that people write: one way, one wording of what can be wrong."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from acquire.errors import ConfigError

if TYPE_CHECKING:
    from pydantic import BaseModel

__all__ = ["read_table", "read_toml"]

Model = TypeVar("Model", bound="BaseModel")


def read_toml(path: Path) -> dict[str, Any]:
    """Give the file's content; ConfigError names the file and what is wrong with it."""
    try:
        text = path.read_text(encoding="utf-8")
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"not TOML: {error}{_hint(text, error)}", file=path) from error
    except RecursionError as error:
        raise ConfigError("not TOML: lists or tables nested too deep", file=path) from error
    except UnicodeDecodeError as error:
        raise ConfigError("not UTF-8 text", file=path) from error
    except OSError as error:
        raise ConfigError(f"cannot be read: {error.strerror or error}", file=path) from error
    except ValueError as error:  # a number of thousands of digits, a name no file can have
        raise ConfigError(f"cannot be read: {error}", file=path) from error


def _hint(text: str, error: tomllib.TOMLDecodeError) -> str:
    """Say what to write instead of a name in [...] that TOML does not take as it stands."""
    at = re.search(r"at line (\d+)", str(error))
    line = text.split("\n")[int(at[1]) - 1] if at else ""
    header = re.fullmatch(r"\s*\[\s*([^\[\]\"'#]+?)\s*\]\s*(?:#.*)?", line)
    if header is None or re.fullmatch(r"[A-Za-z0-9_.-]*", header[1]):
        return ""
    better = re.sub(r"[^a-z0-9_.-]+", "-", header[1].lower())
    return f"; names here are of a-z 0-9 _ - only, such as [{better}]"


def read_table(path: Path, model: type[Model]) -> Model:
    """Give the file as the model; ConfigError names file, key, what was found and is allowed."""
    from pydantic import ValidationError  # noqa: PLC0415  (formulas that read a catalogue stay light)

    from acquire.validation import from_pydantic  # noqa: PLC0415

    raw = read_toml(path)
    try:
        return model.model_validate(raw)
    except ValidationError as error:
        raise from_pydantic(error, file=path, model=model) from error
