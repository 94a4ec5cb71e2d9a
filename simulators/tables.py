"""Reads the TOML files of the simulator: a model of what is allowed, a clear error for the rest."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from acquire.errors import ConfigError
from acquire.validation import from_pydantic

__all__ = ["read_table"]

_Model = TypeVar("_Model", bound=BaseModel)


def read_table(path: Path, model: type[_Model]) -> _Model:
    """Give the file as the model; ConfigError names file, key, what was found and is allowed."""
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigError(f"cannot be read: {error.strerror}", file=path) from error
    except UnicodeDecodeError as error:
        raise ConfigError("not UTF-8 text", file=path) from error
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"not TOML: {error}", file=path) from error
    try:
        return model.model_validate(raw)
    except ValidationError as error:
        raise from_pydantic(error, file=path, model=model) from error
