"""Known solutions: what a right meter shows in them, at the temperature they have.

The catalogue is `solutions.toml` beside this file; a person's own file of the same form adds to it.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import ClassVar

from acquire.errors import ConfigError, WaterError
from acquire.quantities import BUILT_IN
from acquire.water.buffers import Family, buffer_ph
from acquire.water.catalogue import by_name, pick, read_catalogue
from acquire.water.conductivity import RAW, Compensation, to_reference
from acquire.water.inputs import Derived
from acquire.water.ions import conductivity_of_ions, salt_to_ions
from acquire.water.kitchen import ExpectedPh, baking_soda, vinegar
from acquire.water.potassium_chloride import (
    demal,
    epa_molar,
    kcl_shape,
    molal,
    standard_methods_molar,
)
from acquire.water.redox import light, orp_of, quinhydrone, zobell
from acquire.water.tables import lagrange

__all__ = [
    "FORMULAS",
    "Expectation",
    "Expected",
    "Solution",
    "built_in_solutions",
    "expected_reading",
    "find_solution",
    "load_solutions",
]

Points = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """What one quantity of a solution is, against temperature."""

    __pydantic_config__: ClassVar[dict[str, str]] = {"extra": "forbid"}

    quantity: str
    formula: str
    """A key of `FORMULAS`."""
    given: Mapping[str, float | str] = field(default_factory=dict)
    """The formula's parameters."""
    points: Points = ()
    """(°C, value) pairs, ascending, for formulas that read a table."""
    tolerance: float = 0.0
    """± of the solution, 95 %, in the quantity's unit; the larger of this and the next."""
    tolerance_relative: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """A solution of known value."""

    __pydantic_config__: ClassVar[dict[str, str]] = {"extra": "forbid"}

    name: str
    label: str
    source: str
    expects: tuple[Expectation, ...]
    cautions: tuple[str, ...] = ()
    opened_days: int | None = None
    """Days it keeps once opened; None when not known."""

    def expectation(self, quantity: str) -> Expectation:
        """Give what is known of a quantity; WaterError names what the solution is good for."""
        for one in self.expects:
            if one.quantity == quantity:
                return one
        known = ", ".join(one.quantity for one in self.expects)
        raise WaterError(f"{self.label} says nothing of {quantity}: it is for {known}")


@dataclass(frozen=True, slots=True)
class Expected:
    """What a right meter shows, with the solution's own ± (95 %)."""

    value: float
    tolerance: float
    method: str
    extrapolated: bool = False


def _kcl_table(temp_c: float, *, points: Points, strength: float = 0.01) -> Derived:
    """Read a bottle's own table between its points, along the shape of the NIST molal table."""
    temps = [t for t, _ in points]
    ratios = [value / kcl_shape(strength, t) for t, value in points]
    outside = not temps[0] <= temp_c <= temps[-1]
    # Beyond its ends a table is continued by the shape alone, not by its last slope.
    ratio = lagrange(temps, ratios, min(max(temp_c, temps[0]), temps[-1]), points=2)
    value = ratio * kcl_shape(strength, temp_c)
    return Derived(value, "uS/cm", "table of the standard, along the NIST KCl table", outside)


def _salt(temp_c: float, *, salt: str, mg_l: float) -> Derived:
    return conductivity_of_ions(salt_to_ions({salt: mg_l}), temp_c)


def _buffer(temp_c: float, *, family: Family, name: str) -> Derived:
    return buffer_ph(family, name, temp_c)


def _quinhydrone(temp_c: float, *, buffer: str) -> Derived:
    return quinhydrone(buffer_ph("primary", buffer, temp_c).value, temp_c)


def _vinegar(temp_c: float, *, acidity_percent: float, dilution: float = 1.0) -> Derived:
    return _of_ph(vinegar(acidity_percent, dilution=dilution, temp_c=temp_c))


def _baking_soda(temp_c: float, *, g_per_kg_water: float) -> Derived:
    return _of_ph(baking_soda(g_per_kg_water, temp_c=temp_c))


def _of_ph(found: ExpectedPh) -> Derived:
    return Derived(found.value, "[pH]", found.method, found.extrapolated)


FORMULAS: Mapping[str, Callable[..., Derived]] = {
    "kcl-molal": lambda temp_c, *, molality: molal(molality, temp_c),
    "kcl-demal": lambda temp_c, *, strength: demal(strength, temp_c),
    "kcl-epa": epa_molar,
    "kcl-standard-methods": lambda temp_c, *, molarity: standard_methods_molar(molarity, temp_c),
    "kcl-table": _kcl_table,
    "salt": _salt,
    "buffer": _buffer,
    "vinegar": _vinegar,
    "baking-soda": _baking_soda,
    "zobell": lambda temp_c, *, table="standard-methods": zobell(temp_c, table=table),
    "light": light,
    "quinhydrone": _quinhydrone,
}
"""What a solution may be computed by: temperature in °C and the parameters given."""


def expected_reading(
    solution: Solution,
    quantity: str,
    temp_c: float | None,
    *,
    compensation: Compensation = RAW,
    reference: str | None = None,
) -> Expected:
    """Give what a right meter shows in a solution at its measured temperature.

    Conductivity is compensated the way the meter does it (`compensation`). ORP needs the meter's
    `reference` electrode (a key of `redox.REFERENCES`, "she" for Eh itself).
    """
    if temp_c is None:
        raise WaterError("the temperature of the solution is missing: give it in °C")
    one = solution.expectation(quantity)
    found = _compute(one, temp_c)
    value, method, outside = found.value, found.method, found.extrapolated
    tolerance = max(one.tolerance, one.tolerance_relative * abs(value))
    if quantity == "conductivity" and compensation != RAW:
        shown = to_reference(value, temp_c, compensation)
        tolerance *= shown.value / value
        value, method = shown.value, f"{method}; shown {compensation}"
        outside |= shown.extrapolated
    if quantity == "orp":
        if reference is None:
            raise WaterError(
                "the reference electrode of the meter is missing: an ORP solution is known "
                "against the hydrogen electrode only"
            )
        shown = orp_of(value, reference, temp_c)
        value, method = shown.value, f"{method}; shown as {shown.method}"
        outside |= shown.extrapolated
    return Expected(value, tolerance, method, outside)


def _compute(one: Expectation, temp_c: float) -> Derived:
    extra = {"points": one.points} if one.points else {}
    return FORMULAS[one.formula](temp_c, **one.given, **extra)


@dataclass(frozen=True, slots=True, kw_only=True)
class _File:
    __pydantic_config__: ClassVar[dict[str, str]] = {"extra": "forbid"}

    solution: tuple[Solution, ...]


def load_solutions(path: Path) -> Mapping[str, Solution]:
    """Read a catalogue of solutions, by name; ConfigError for anything that cannot be used."""
    entries = read_catalogue(path, _File).solution
    for i, entry in enumerate(entries):
        for j, one in enumerate(entry.expects):
            _validate(one, path, f"solution[{i}].expects[{j}]")
        if entry.opened_days is not None and entry.opened_days < 1:
            raise ConfigError(
                "out of range", file=path, key=f"solution[{i}].opened_days",
                found=entry.opened_days, allowed="1 day or more",
            )  # fmt: skip
    return by_name(entries, file=path, key="solution.name")


def _validate(one: Expectation, path: Path, key: str) -> None:
    def refuse(problem: str, name: str, found: object, allowed: str) -> ConfigError:
        return ConfigError(problem, file=path, key=f"{key}.{name}", found=found, allowed=allowed)

    if one.quantity not in BUILT_IN:
        raise refuse("unknown quantity", "quantity", one.quantity, ", ".join(BUILT_IN))
    if one.formula not in FORMULAS:
        raise refuse("unknown formula", "formula", one.formula, ", ".join(FORMULAS))
    if not max(one.tolerance, one.tolerance_relative) > 0:
        raise refuse("a tolerance is needed", "tolerance", one.tolerance, "above 0")
    temps = [t for t, _ in one.points]
    if temps != sorted(set(temps)):
        raise refuse("the points must rise in temperature", "points", temps, "each °C once")
    takes = list(inspect.signature(FORMULAS[one.formula]).parameters)[1:]
    try:
        _compute(one, 25.0 if not temps or temps[0] <= 25.0 <= temps[-1] else temps[0])
    except TypeError as error:
        needs = ", ".join(takes) or "no parameters"
        raise refuse("wrong parameters", "given", dict(one.given), needs) from error
    except WaterError as error:
        raise refuse(str(error), "given", dict(one.given), "what the formula holds for") from error


@cache
def built_in_solutions() -> Mapping[str, Solution]:
    """Give the catalogue that comes with ouzel."""
    return load_solutions(Path(__file__).with_name("solutions.toml"))


def find_solution(name: str, more: Mapping[str, Solution] | None = None) -> Solution:
    """Give a solution by name, a person's own before the built-in; ConfigError names the known."""
    return pick({**built_in_solutions(), **(more or {})}, name, "solution")
