"""Waters of a made-up household, read from TOML, and how each behaves in a glass.

What a water does on standing (comes to room temperature, takes up or loses carbon dioxide) is
here; how a probe follows it is in `simulators.probe`.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from acquire.toml_file import read_table
from simulators.decays import Decays

__all__ = ["HOUSEHOLD", "Water", "load_waters"]

HOUSEHOLD = Path(__file__).with_name("waters.toml")

_Ph = Annotated[float, Field(ge=0, le=14)]
_Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,31}$")]


class Water(BaseModel):
    """One water: what it is at 25 °C, how it changes with temperature and with standing in air."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    label: Annotated[str, Field(min_length=1, max_length=80)]
    source: Annotated[str, Field(max_length=300)] = ""
    """Where its values come from; empty for invented ones."""
    ph_25: _Ph
    """pH at 25 °C, fresh from its bottle or tap."""
    ph_per_c: Annotated[float, Field(ge=-0.1, le=0.1)] = 0.0
    ph_per_c2: Annotated[float, Field(ge=-0.001, le=0.001)] = 0.0
    """pH(T) = ph_25 + ph_per_c·(T − 25) + ph_per_c2·(T − 25)², T in °C."""
    ph_25_stood: _Ph | None = None
    """pH at 25 °C in balance with the carbon dioxide of the air; None where it makes none."""
    air_exchange_s: Annotated[float, Field(ge=60, le=1e6)] = 7200.0
    """Time constant of that in a still glass."""
    buffer_mmol_l: Annotated[float, Field(ge=1e-3, le=1e3)]
    """Buffer capacity in mmol/L a pH."""
    orp_mv: Annotated[float, Field(ge=-2000, le=2000)]
    """Where a platinum electrode against the meter's reference comes to rest."""
    poise: Annotated[float, Field(gt=0, le=1)]
    """How firmly a redox couple holds that: 1 for a redox standard, near 0 for pure water."""
    ec_25_us_cm: Annotated[float, Field(ge=0, le=200_000)]
    ec_per_c: Annotated[float, Field(ge=0, le=0.08)] = 0.02
    """κ(T) = ec_25 · (1 + ec_per_c·(T − 25)), T in °C."""
    temperature_c: Annotated[float, Field(ge=0, le=60)]
    """When it is poured."""

    def temperature(self, room_c: float, cup_s: float) -> Decays:
        """Give the course of a glass of it, poured at t = 0: °C, to the room's temperature."""
        return Decays(room_c, ((self.temperature_c - room_c, 1.0 / cup_s),))

    def ph(self, temperature: Decays, age_s: float, *, standing: bool = True) -> Decays:
        """Give the course of its pH, `age_s` after pouring at t = 0 of the course."""
        off = temperature.plus(-25.0)
        warm = off.scaled(self.ph_per_c) + off.squared().scaled(self.ph_per_c2)
        if self.ph_25_stood is None or not standing:
            return warm.plus(self.ph_25)
        stood = Decays(
            self.ph_25_stood, ((self.ph_25 - self.ph_25_stood, 1 / self.air_exchange_s),)
        )
        return warm + stood.later(age_s)

    def conductivity(self, temperature_c: float) -> float:
        """Give the conductivity at that temperature in µS/cm, not compensated."""
        return self.ec_25_us_cm * (1.0 + self.ec_per_c * (temperature_c - 25.0))


class _File(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    water: Annotated[dict[_Name, Water], Field(min_length=1, max_length=200)]


def load_waters(path: Path = HOUSEHOLD) -> Mapping[str, Water]:
    """Read a file of waters, `[water.NAME]` each; ConfigError says what cannot be used."""
    return MappingProxyType(read_table(path, _File).water)
