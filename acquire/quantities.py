"""The table of quantities: unit, display, plausible range, how still is still enough.

A quantity is what is measured. Those below are built in; others (dissolved oxygen, turbidity, ...)
are added by configuration with `Quantity` of the same shape. Units are written in UCUM
(ucum.org); `senml_unit` is the primary unit of RFC 8428 / RFC 8798 and `senml_factor` turns a value
in `unit` into it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from acquire.errors import ConfigError

__all__ = ["BUILT_IN", "Conversion", "Quantity", "Tolerance", "conversion", "find_quantity"]


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far a value may still move and count as settled: the larger of the two parts.

    `absolute` is in the unit of the quantity (half-width, ±), `relative` a fraction of the value.
    At least one is above zero.
    """

    absolute: float = 0.0
    relative: float = 0.0

    def __post_init__(self) -> None:
        if not (self.absolute >= 0 and self.relative >= 0 and self.absolute + self.relative > 0):
            raise ConfigError(
                "a tolerance needs a part above zero",
                found=(self.absolute, self.relative),
                allowed="absolute >= 0, relative >= 0, not both zero",
            )

    def at(self, value: float) -> float:
        """Half-width in the unit of the quantity for a value of this size."""
        return max(self.absolute, self.relative * abs(value))


@dataclass(frozen=True, slots=True)
class Conversion:
    """A unit in which a meter may speak: value in the quantity's unit = said * factor + offset."""

    factor: float = 1.0
    offset: float = 0.0

    def __call__(self, said: float) -> float:
        return said * self.factor + self.offset


_SAME = Conversion()


@dataclass(frozen=True, slots=True)
class Quantity:
    """One row of the table."""

    name: str
    """Word used in files, topics and columns: lower case, digits, underscore."""
    label: str
    """Word used on screens."""
    unit: str
    """UCUM code of the unit values are kept in."""
    shown_unit: str
    """The same unit as people write it; empty where the trade writes none."""
    digits: int
    """Decimals on display when the meter's own resolution is not known."""
    low: float
    high: float
    """Plausible range in `unit`, both ends included; outside it a value is flagged, not dropped."""
    tolerance: Tolerance
    """Default settling tolerance."""
    senml_unit: str
    senml_factor: float = 1.0
    spoken: Mapping[str, Conversion] = field(default_factory=dict)
    """Units it may be told in, as the trade writes them; read in any case."""
    _folded: Mapping[str, Conversion] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        folded = {word.casefold(): turn for word, turn in self.spoken.items()}
        object.__setattr__(self, "_folded", folded)

    def conversion_from(self, unit: str) -> Conversion | None:
        """Give the conversion from a unit, however meters and people write it; None: no such unit.

        Case says nothing, nor whether µ is the micro sign or the Greek letter.
        """
        return _SAME if unit == self.unit else self._folded.get(unit.strip().casefold())

    def is_plausible(self, value: float) -> bool:
        return self.low <= value <= self.high

    def show(self, value: float, *, digits: int | None = None) -> str:
        """Write a value with the quantity's decimals, without its unit."""
        places = self.digits if digits is None else digits
        text = f"{value:.{places}f}"
        return text[1:] if text.startswith("-") and not text.strip("-0.") else text


# Ratios of mass: 1 ppm of dissolved solids is read as 1 mg/L, which holds for dilute waters at
# room temperature (density within 0.5 % of 1 kg/L). Common practice, no source.
_MASS = {
    "mg/L": _SAME,
    "ppm": _SAME,
    "g/L": Conversion(1e3),
    "ppt": Conversion(1e3),
    "µg/L": Conversion(1e-3),
    "ug/L": Conversion(1e-3),
}
_CONDUCTIVITY = {
    "µS/cm": _SAME,
    "uS/cm": _SAME,
    "µS": _SAME,
    "uS": _SAME,
    "mS/cm": Conversion(1e3),
    "mS": Conversion(1e3),
    "S/m": Conversion(1e4),
    "mS/m": Conversion(10.0),
    "µS/m": Conversion(1e-2),
    "uS/m": Conversion(1e-2),
}
_SALINITY = {
    "g/kg": _SAME,
    "ppt": _SAME,
    "‰": _SAME,
    "g/L": _SAME,
    "%": Conversion(10.0),
    "ppm": Conversion(1e-3),
    "mg/L": Conversion(1e-3),
    "PSU": _SAME,
}
_TEMPERATURE = {
    "°C": _SAME,
    "C": _SAME,
    "Cel": _SAME,
    "degC": _SAME,
    "℃": _SAME,
    "°F": Conversion(5 / 9, -160 / 9),
    "F": Conversion(5 / 9, -160 / 9),
    "degF": Conversion(5 / 9, -160 / 9),
    "K": Conversion(1.0, -273.15),
}
_DENSITY = {"1": _SAME, "": _SAME, "SG": _SAME, "S.G.": _SAME, "g/cm3": _SAME}

BUILT_IN: Mapping[str, Quantity] = MappingProxyType(
    {
        quantity.name: quantity
        for quantity in (
            Quantity(
                "ph",
                "pH",
                "[pH]",
                "",
                2,
                0.0,
                14.0,
                Tolerance(0.02),
                "pH",
                1.0,
                {"[pH]": _SAME, "pH": _SAME, "": _SAME},
            ),
            Quantity(
                "orp",
                "ORP",
                "mV",
                "mV",
                0,
                -2000.0,
                2000.0,
                Tolerance(5.0),
                "V",
                1e-3,
                {"mV": _SAME, "V": Conversion(1e3)},
            ),
            Quantity(
                "conductivity",
                "Conductivity",
                "uS/cm",
                "µS/cm",
                0,
                0.0,
                200_000.0,
                Tolerance(1.0, 0.01),
                "S/m",
                1e-4,
                _CONDUCTIVITY,
            ),
            Quantity(
                "tds",
                "TDS",
                "mg/L",
                "mg/L",
                0,
                0.0,
                200_000.0,
                Tolerance(1.0, 0.01),
                "kg/m3",
                1e-3,
                _MASS,
            ),
            Quantity(
                "salinity",
                "Salinity",
                "g/kg",
                "g/kg",
                2,
                0.0,
                200.0,
                Tolerance(0.02, 0.01),
                "/",
                1e-3,
                _SALINITY,
            ),
            Quantity(
                "specific_gravity",
                "Specific gravity",
                "1",
                "",
                3,
                0.9,
                1.3,
                Tolerance(0.001),
                "/",
                1.0,
                _DENSITY,
            ),
            Quantity(
                "temperature",
                "Temperature",
                "Cel",
                "°C",
                1,
                -10.0,
                110.0,
                Tolerance(0.2),
                "Cel",
                1.0,
                _TEMPERATURE,
            ),
        )
    }
)


def find_quantity(name: str, table: Mapping[str, Quantity] = BUILT_IN) -> Quantity:
    """Give the row of that name; ConfigError names the allowed ones."""
    try:
        return table[name]
    except KeyError:
        raise ConfigError("unknown quantity", found=name, allowed=", ".join(table)) from None


def conversion(quantity: Quantity, unit: str) -> Conversion:
    """Give the conversion from a unit as a meter writes it; ConfigError names the allowed ones."""
    found = quantity.conversion_from(unit)
    if found is None:
        allowed = ", ".join(word or "(none)" for word in quantity.spoken) or quantity.unit
        raise ConfigError(f"unknown unit for {quantity.name}", found=unit, allowed=allowed)
    return found
