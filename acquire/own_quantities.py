"""[quantities.NAME] of the configuration: quantities that a person adds to the table."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated, Any

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    model_validator,
)
from pydantic_core import PydanticCustomError

from acquire.errors import ConfigError
from acquire.quantities import BUILT_IN, Quantity, Tolerance

__all__ = ["QuantityConfig", "ToleranceConfig", "own_quantity", "shown_quantity"]

_NAME = re.compile(r"[a-z][a-z0-9_]{0,31}")


def _printable(said: str) -> str:
    if not said.isprintable() or said != said.strip():
        raise PydanticCustomError(
            "printable", "this goes onto screens and into files", {"allowed": "printable text"}
        )
    return said


_Label = Annotated[str, Field(min_length=1, max_length=40), AfterValidator(_printable)]
_Unit = Annotated[str, Field(min_length=1, max_length=20), AfterValidator(_printable)]
_Finite = Annotated[float, Field(allow_inf_nan=False)]


class ToleranceConfig(BaseModel):
    """How still is still enough: absolute in the quantity's unit, relative a fraction.

    A bare number is the absolute part.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    absolute: Annotated[float, Field(ge=0, allow_inf_nan=False)] = 0.0
    relative: Annotated[float, Field(ge=0, lt=1)] = 0.0

    @model_validator(mode="before")
    @classmethod
    def _number_is_absolute(cls, said: object) -> object:
        is_number = isinstance(said, int | float) and not isinstance(said, bool)
        return {"absolute": said} if is_number else said


class QuantityConfig(BaseModel):
    """[quantities.NAME]: a quantity the table does not have."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    label: _Label
    unit: _Unit
    digits: Annotated[int, Field(ge=0, le=6)]
    low: _Finite
    high: _Finite
    """Plausible range; low < high."""
    tolerance: ToleranceConfig
    senml_unit: _Unit
    senml_factor: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 1.0


def own_quantity(name: str, table: QuantityConfig, file: Path | None) -> Quantity:
    """Give the quantity of a person's own; ConfigError names file, key and what is allowed."""
    key = f"quantities.{name}"
    if name in BUILT_IN:
        raise ConfigError("a built-in quantity cannot be redefined", file=file, key=key)
    if not _NAME.fullmatch(name):
        raise ConfigError(
            "a quantity's name goes into files and topics",
            file=file,
            key=key,
            found=name,
            allowed="a small letter, then up to 31 of a-z 0-9 _",
        )
    if not table.low < table.high:
        raise ConfigError(
            "the plausible range is empty",
            file=file,
            key=f"{key}.high",
            found=table.high,
            allowed=f"> {table.low:g} (low)",
        )
    try:
        tolerance = Tolerance(table.tolerance.absolute, table.tolerance.relative)
    except ConfigError as error:
        raise ConfigError(
            error.problem, file=file, key=f"{key}.tolerance", allowed=error.allowed
        ) from error
    return Quantity(
        name,
        table.label,
        table.unit,
        table.unit,
        table.digits,
        table.low,
        table.high,
        tolerance,
        table.senml_unit,
        table.senml_factor,
    )


def shown_quantity(quantity: Quantity) -> dict[str, Any]:
    """Give the table a quantity can be read again from."""
    return {
        "label": quantity.label,
        "unit": quantity.unit,
        "digits": quantity.digits,
        "low": quantity.low,
        "high": quantity.high,
        "tolerance": {
            "absolute": quantity.tolerance.absolute,
            "relative": quantity.tolerance.relative,
        },
        "senml_unit": quantity.senml_unit,
        "senml_factor": quantity.senml_factor,
    }
