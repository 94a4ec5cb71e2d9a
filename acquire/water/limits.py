"""Limits and classes in print, each with its authority, source and date.

All are aesthetic, operational or for labels. None shows that a water is safe to drink: see
`NOT_A_SAFETY_TEST`, which belongs beside every use of them. The catalogue is `limits.toml`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import ClassVar, Final, Literal

from acquire.errors import ConfigError, WaterError
from acquire.water.catalogue import by_name, pick, read_catalogue
from acquire.water.cautions import SAFETY
from acquire.water.conductivity import iso7888_factor
from acquire.water.inputs import finite, positive

__all__ = [
    "NOT_A_SAFETY_TEST",
    "Classes",
    "Limit",
    "Limits",
    "Step",
    "built_in_limits",
    "find_classes",
    "find_limit",
    "load_limits",
]

NOT_A_SAFETY_TEST: Final = SAFETY

Kind = Literal["aesthetic", "operational", "taste", "labelling"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A range; a bound left out does not bind, both ends belong to the inside."""

    __pydantic_config__: ClassVar[dict[str, str]] = {"extra": "forbid"}

    name: str
    authority: str
    quantity: str
    unit: str
    kind: Kind
    source: str
    as_of: str
    lower: float | None = None
    upper: float | None = None
    reference_c: float | None = None
    """Temperature a conductivity limit is stated at, °C."""
    applies_to: str = ""
    """Kind of water it is meant for; empty: any drinking water."""

    def at_reference(self, reference_c: float | None) -> Limit:
        """Give the limit for conductivity compensated to another temperature (ISO 7888).

        2500 µS/cm at 20 °C are 2790 at 25 °C. WaterError for a conductivity whose own reference
        is not known.
        """
        if self.reference_c is None or self.reference_c == reference_c:
            return self
        if reference_c is None:
            raise WaterError(
                f"{self.name} is stated at {self.reference_c:g} °C: give the temperature the "
                "conductivity is compensated to"
            )
        factor = iso7888_factor(reference_c, reference_c=self.reference_c).value
        return replace(
            self,
            lower=None if self.lower is None else self.lower / factor,
            upper=None if self.upper is None else self.upper / factor,
            reference_c=reference_c,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One class: `below` excludes its bound, `up_to` includes it; the last step has neither."""

    __pydantic_config__: ClassVar[dict[str, str]] = {"extra": "forbid"}

    label: str
    below: float | None = None
    up_to: float | None = None

    @property
    def bound(self) -> float | None:
        return self.up_to if self.below is None else self.below

    def holds(self, value: float) -> bool:
        if self.below is not None:
            return value < self.below
        return self.up_to is None or value <= self.up_to


@dataclass(frozen=True, slots=True, kw_only=True)
class Classes:
    """Words for ranges of a value, rising."""

    __pydantic_config__: ClassVar[dict[str, str]] = {"extra": "forbid"}

    name: str
    authority: str
    quantity: str
    unit: str
    kind: Kind
    source: str
    as_of: str
    steps: tuple[Step, ...]
    applies_to: str = ""

    def label(self, value: float | None) -> str:
        """Give the class of a value; the value is zero or more, in `unit`."""
        number = positive(value, f"the {self.quantity}", self.unit, zero=True)
        return next(step.label for step in self.steps if step.holds(number))

    def labels(self, value: float | None, expanded_u: float) -> tuple[str, ...]:
        """Give every class the value may be in at its expanded uncertainty, rising.

        More than one: the class cannot be told.
        """
        number = finite(value, f"the {self.quantity}", self.unit)
        reach = positive(expanded_u, "the expanded uncertainty", self.unit, zero=True)
        names = [step.label for step in self.steps]
        first = names.index(self.label(max(0.0, number - reach)))
        return tuple(names[first : names.index(self.label(number + reach)) + 1])


@dataclass(frozen=True, slots=True, kw_only=True)
class _File:
    __pydantic_config__: ClassVar[dict[str, str]] = {"extra": "forbid"}

    limit: tuple[Limit, ...] = ()
    classes: tuple[Classes, ...] = ()


@dataclass(frozen=True, slots=True)
class Limits:
    """A catalogue, by name."""

    limits: Mapping[str, Limit]
    classes: Mapping[str, Classes]


def load_limits(path: Path) -> Limits:
    """Read a catalogue of limits and classes; ConfigError for anything that cannot be used."""
    content = read_catalogue(path, _File)
    for i, limit in enumerate(content.limit):
        low, high = limit.lower, limit.upper
        key = f"limit[{i}]"
        if low is None and high is None:
            raise ConfigError("needs lower, upper or both", file=path, key=key, found=limit.name)
        if low is not None and high is not None and low > high:
            raise ConfigError("lower is above upper", file=path, key=key, found=(low, high))
    for i, classes in enumerate(content.classes):
        _validate_steps(classes, path, f"classes[{i}].steps")
    return Limits(
        by_name(content.limit, file=path, key="limit.name"),
        by_name(content.classes, file=path, key="classes.name"),
    )


def _validate_steps(classes: Classes, path: Path, key: str) -> None:
    if not classes.steps:
        raise ConfigError("needs at least one step", file=path, key=key)
    bounds = [step.bound for step in classes.steps]
    inner = [bound for bound in bounds[:-1] if bound is not None]
    if bounds[-1] is not None or len(inner) != len(bounds) - 1:
        raise ConfigError("every step but the last needs `below` or `up_to`", file=path, key=key)
    if any(a >= b for a, b in pairwise(inner)):
        raise ConfigError("the steps must rise", file=path, key=key, found=inner)
    if len({step.label for step in classes.steps}) != len(bounds):
        raise ConfigError("every step needs a label of its own", file=path, key=key)
    if any(step.below is not None and step.up_to is not None for step in classes.steps):
        raise ConfigError("a step takes `below` or `up_to`, not both", file=path, key=key)


@cache
def built_in_limits() -> Limits:
    """Give the catalogue that comes with ouzel."""
    return load_limits(Path(__file__).with_name("limits.toml"))


def find_limit(name: str) -> Limit:
    """Give a limit by name; ConfigError names the known ones."""
    return pick(built_in_limits().limits, name, "limit")


def find_classes(name: str) -> Classes:
    """Give a set of classes by name; ConfigError names the known ones."""
    return pick(built_in_limits().classes, name, "classes")
