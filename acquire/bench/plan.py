"""Plans: a TOML file that lists the stops of a round. Read, checked, and what is odd told.

A stop names what it is by its key: `check` a solution, `rinse`, `reference`, `subject` or `water` a
water, `count` a water whose particles are counted.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator
from pydantic_core import PydanticCustomError

from acquire.errors import ConfigError
from acquire.readings import Role
from acquire.rounds import Stop, StopKind
from acquire.toml_file import read_toml
from acquire.validation import from_pydantic
from acquire.water.catalogue import pick
from acquire.water.solutions import Solution

__all__ = ["SHIPPED", "Plan", "Ranges", "find_plan", "plan_names", "read_plan", "read_plan_text"]

SHIPPED = Path(__file__).parents[1] / "plans"
"""The plans that come with ouzel."""
Ranges = Mapping[str, tuple[float, float]]
"""Quantity to lowest and highest value expected of a water, in the quantity's unit."""

_KINDS: Mapping[str, tuple[StopKind, Role | None]] = {
    "check": ("check", Role.SOLUTION),
    "rinse": ("rinse", Role.RINSE),
    "reference": ("water", Role.REFERENCE),
    "subject": ("water", Role.SUBJECT),
    "water": ("water", None),
    "count": ("count", None),
}
_NAME = 64
_RINSE_S = 20.0

_Water = Annotated[str, Field(min_length=1, max_length=80)]
_Number = Annotated[float, Field(allow_inf_nan=False)]


@dataclass(frozen=True, slots=True)
class Plan:
    """A plan as it was read."""

    name: str
    """Of its file, without the ending."""
    title: str
    stops: tuple[Stop, ...]
    expected: Mapping[str, Ranges]
    """By water: what the plan says it reads."""
    text: str
    """The TOML."""
    path: Path | None = None


class _Stop(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    check: _Water | None = None
    rinse: _Water | None = None
    reference: _Water | None = None
    subject: _Water | None = None
    water: _Water | None = None
    count: _Water | None = None
    seconds: Annotated[float, Field(ge=1, le=3600, allow_inf_nan=False)] | None = None
    repeats: Annotated[int, Field(ge=1, le=20)] = 1
    expect: dict[str, tuple[_Number, _Number]] = Field(default_factory=dict)
    note: Annotated[str, Field(max_length=200)] = ""

    @field_validator("check", "rinse", "reference", "subject", "water", "count")
    @classmethod
    def _on_one_line(cls, name: str | None) -> str | None:
        if name is not None and (not name.isprintable() or name != name.strip()):
            raise PydanticCustomError(
                "water_name",
                "a name is one line without blanks at its ends",
                {"allowed": "letters, digits, signs and blanks between them"},
            )
        return name

    @model_validator(mode="after")
    def _is_one_thing(self) -> _Stop:
        said = [key for key in _KINDS if getattr(self, key) is not None]
        if len(said) != 1:
            raise PydanticCustomError(
                "one_thing",
                "a stop is exactly one thing" + (f", here it is {' and '.join(said)}" * bool(said)),
                {"allowed": "one of " + ", ".join(_KINDS)},
            )
        (kind,) = said
        for key, fits, is_said in (
            ("seconds", ("rinse",), self.seconds is not None),
            ("repeats", ("check", "reference", "subject", "water"), self.repeats != 1),
            ("expect", ("rinse", "reference", "subject", "water"), bool(self.expect)),
        ):
            if is_said and kind not in fits:
                raise PydanticCustomError(
                    "not_here",
                    f"a {kind} has no `{key}`",
                    {"allowed": f"`{key}` with {', '.join(fits)}"},
                )
        for quantity, (low, high) in self.expect.items():
            if low > high:
                raise PydanticCustomError(
                    "range", f"{quantity}: the lower end comes first", {"allowed": "[low, high]"}
                )
        return self


class _File(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    title: Annotated[str, Field(max_length=120)] = ""
    stop: Annotated[tuple[_Stop, ...], Field(min_length=1, max_length=200)]


def read_plan(path: Path, solutions: Mapping[str, Solution], quantities: Sequence[str]) -> Plan:
    """Read a plan; ConfigError names file, key, what was found and what is allowed.

    `quantities` are the names that `expect` may use.
    """
    read_toml(path)  # for its wording of what is no TOML
    text = path.read_text(encoding="utf-8")
    return read_plan_text(text, path.stem, solutions, quantities, path)


def read_plan_text(
    text: str,
    name: str,
    solutions: Mapping[str, Solution],
    quantities: Sequence[str],
    path: Path | None = None,
) -> Plan:
    """Read a plan from its text, as it is kept with a round."""
    import tomllib  # noqa: PLC0415 - only for texts without a file

    file = path or f"plan {name}"
    try:
        whole = _File.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"not TOML: {error}", file=file) from error
    except ValidationError as error:
        raise from_pydantic(error, file=file, model=_File) from error
    last_water = max(
        (n for n, said in enumerate(whole.stop) if _kind(said)[0] == "water"), default=-1
    )
    stops: list[Stop] = []
    expected: dict[str, Ranges] = {}
    for number, said in enumerate(whole.stop):
        kind, role, water = _kind(said)
        solution = ""
        if kind == "check":
            try:
                solution, water = water, pick(solutions, water, "solution").label
            except ConfigError as error:
                raise ConfigError(
                    error.problem, file=file, key=f"stop[{number}].check",
                    found=error.found, allowed=error.allowed,
                ) from error  # fmt: skip
        for quantity in said.expect:
            if quantity not in quantities:
                raise ConfigError(
                    "unknown quantity", file=file, key=f"stop[{number}].expect",
                    found=quantity, allowed=", ".join(quantities),
                )  # fmt: skip
        if said.expect:
            expected[water] = dict(said.expect)
        stops.append(
            Stop(
                kind,
                water,
                role,
                solution,
                said.repeats,
                kind == "check" and -1 < last_water < number,
                (said.seconds or _RINSE_S) if kind == "rinse" else 0.0,
                said.note,
            )
        )
    return Plan(name[:_NAME], whole.title or name, tuple(stops), expected, text, path)


def _kind(said: _Stop) -> tuple[StopKind, Role | None, str]:
    for key, (kind, role) in _KINDS.items():
        water = getattr(said, key)
        if water is not None:
            return kind, role, str(water)
    raise AssertionError("the model lets no such stop pass")


def plan_names(folders: Sequence[Path]) -> Iterator[tuple[str, Path]]:
    """Give every plan there is, a person's own before those that come with ouzel."""
    seen: set[str] = set()
    for folder in (*folders, SHIPPED):
        for path in sorted(folder.glob("*.toml")) if folder.is_dir() else ():
            if path.stem not in seen:
                seen.add(path.stem)
                yield path.stem, path


def find_plan(named: str, folders: Sequence[Path], *, is_name: bool = False) -> Path:
    """Give the file of a plan: that path, or the plan of that name in the folders.

    With `is_name` no path is taken: for names that come from elsewhere.
    """
    found = dict(plan_names(folders))
    if named in found:
        return found[named]
    path = Path(named).expanduser()
    if not is_name and (path.suffix == ".toml" or path.is_file()):
        return path
    allowed = ", ".join(found) + ("" if is_name else ", or a TOML file")
    raise ConfigError("no such plan", found=named[:80], allowed=allowed)
