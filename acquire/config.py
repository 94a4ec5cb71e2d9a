"""One TOML file says which meters there are, where the store is and how captures are taken.

Read once at the start; frozen afterwards. Units stand in key names. Anything unknown is an error
that names file, key, what was found and what is allowed.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from acquire.errors import ConfigError
from acquire.installation import WatchConfig, require_known
from acquire.outward import (
    MetricsConfig,
    MqttConfig,
    PageConfig,
    ProgramsConfig,
    beside,
    page_beside,
    require_trusted,
)
from acquire.own_quantities import QuantityConfig, ToleranceConfig, own_quantity, shown_quantity
from acquire.paths import expand, handed_over, home, is_file
from acquire.procedures import Procedure, settler_for
from acquire.quantities import BUILT_IN, Quantity, Tolerance
from acquire.readings import Channel, Role
from acquire.registry import driver_class
from acquire.settle import Settler
from acquire.toml_file import read_toml
from acquire.validation import did_you_mean, from_pydantic

if TYPE_CHECKING:
    from acquire.water.solutions import Solution

__all__ = ["BenchConfig", "Config", "MeterConfig", "Stop", "StoreConfig", "check_preset"]
__all__ += ["find_file", "load", "meter"]

NAME = re.compile(r"[a-z][a-z0-9_-]{0,31}")
TRUSTED_DAYS = 30
"""How long a passed check is trusted where nobody says otherwise (common practice, no source)."""
_Positive = Annotated[float, Field(gt=0, le=86_400, allow_inf_nan=False)]


def _home(variable: str, fallback: str) -> Path:
    """The folder of ouzel under an XDG base directory (freedesktop.org, XDG Base Directory)."""
    base = os.environ.get(variable, "")
    root = Path(base) if base and Path(base).is_absolute() else home() / fallback
    return root / "ouzel"


def _default_store() -> Path:
    try:
        return _home("XDG_DATA_HOME", ".local/share") / "ouzel.db"
    except ConfigError as error:
        raise ConfigError(
            "there is no home folder to keep the store in: write where it is", key="store.path"
        ) from error


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class StoreConfig(_Table):
    """[store]"""

    path: Path = Field(default_factory=_default_store)
    commit_every_s: Annotated[float, Field(ge=1, le=600)] = 10.0
    raw_days: Annotated[int, Field(ge=1, le=36_500)] = 30
    """For how many days that hold readings every reading is kept."""
    minute_days: Annotated[int, Field(ge=1, le=36_500)] = 730
    """The same of their roll-up by minutes; hours and days stay for ever."""


class Stop(_Table):
    """One water in the order the probe will meet it."""

    water: Annotated[str, Field(min_length=1, max_length=80)]
    role: Role = Role.SUBJECT


class BenchConfig(_Table):
    """[bench]"""

    preset: str = "bench"
    timeout_s: _Positive = 900.0
    """An immersion that has not settled by then is recorded as unsettled, with the reason."""
    tolerance: dict[str, ToleranceConfig] = Field(default_factory=dict)
    stops: tuple[Stop, ...] = ()
    solutions: Path | None = None
    """A person's own check solutions, beside the built-in ones."""


class _MeterTable(BaseModel):
    """What every meter has, whatever its driver."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    driver: str = "text_lines"
    silence_s: _Positive = 30.0
    """After that long without a reading the link is opened anew; longer by default for a meter
    that speaks rarely (`slowest_s` of its settings)."""
    check_every_days: Annotated[int, Field(ge=1, le=3650)] = TRUSTED_DAYS
    required: tuple[str, ...] = ()
    """Quantities a capture waits for; default: all that are not computed from another."""


class _Whole(_Table):
    store: StoreConfig = Field(default_factory=StoreConfig)
    bench: BenchConfig = BenchConfig()
    quantities: dict[str, QuantityConfig] = Field(default_factory=dict)
    meters: dict[str, dict[str, Any]] = Field(default_factory=dict)
    mqtt: MqttConfig | None = None
    metrics: MetricsConfig | None = None
    programs: ProgramsConfig = ProgramsConfig()
    page: PageConfig | None = None
    watch: dict[Annotated[str, Field(pattern=NAME.pattern)], WatchConfig] = Field(
        default_factory=dict
    )


@dataclass(frozen=True, slots=True)
class MeterConfig:
    """One configured instrument; `settings` is the driver's own validated table."""

    name: str
    driver: str
    settings: BaseModel
    silence_s: float = 30.0
    check_every_days: int = TRUSTED_DAYS
    required: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Config:
    """All of it, valid."""

    file: Path | None
    store: StoreConfig
    bench: BenchConfig
    quantities: Mapping[str, Quantity]
    meters: Mapping[str, MeterConfig]
    mqtt: MqttConfig | None = None
    metrics: MetricsConfig | None = None
    programs: ProgramsConfig = field(default_factory=ProgramsConfig)
    watches: Mapping[str, WatchConfig] = field(default_factory=dict)
    page: PageConfig | None = None
    """None where nobody wrote a table: see `acquire.cli.outlets`."""

    @property
    def off_bench(self) -> frozenset[str]:
        """Meters that a watch wants no captures of."""
        quiet = [one for one in self.watches.values() if not one.captures]
        return frozenset(name for one in quiet for name in (one.product, one.feed) if name)

    def trusted_days(self, meter: str) -> int:
        """Give for how many days a passed check of a meter is trusted, known here or not."""
        known = self.meters.get(meter)
        return TRUSTED_DAYS if known is None else known.check_every_days

    def tolerance(self, quantity: str) -> Tolerance:
        """The configured settling tolerance, else the quantity's own."""
        asked = self.bench.tolerance.get(quantity)
        if asked is None:
            return self.quantities[quantity].tolerance
        return Tolerance(asked.absolute, asked.relative)

    def solutions(self) -> Mapping[str, Solution]:
        """Every known solution by name, a person's own before the built-in of the same name."""
        from acquire.water.solutions import built_in_solutions, load_solutions  # noqa: PLC0415

        own = load_solutions(self.bench.solutions) if self.bench.solutions is not None else {}
        return {**built_in_solutions(), **own}

    def settler(self, channel: Channel) -> Settler | Procedure:
        """Give what decides, in one immersion, whether this channel has come to rest."""
        return settler_for(
            self.bench.preset,
            self.tolerance(channel.quantity),
            resolution=channel.resolution,
            quantity=channel.quantity,
        )

    def shown(self) -> dict[str, Any]:
        """Everything in force, defaults included, ready for printing."""
        return {
            "store": self.store.model_dump(mode="json"),
            "bench": self.bench.model_dump(mode="json", exclude_none=True),
            "quantities": {
                name: shown_quantity(quantity)
                for name, quantity in self.quantities.items()
                if name not in BUILT_IN
            },
            "meters": {
                name: {
                    **meter.settings.model_dump(mode="json", exclude_none=True),
                    "driver": meter.driver,
                    "silence_s": meter.silence_s,
                    "check_every_days": meter.check_every_days,
                    "required": list(meter.required),
                }
                for name, meter in self.meters.items()
            },
            **{
                name: table.model_dump(mode="json", exclude_none=True)
                for name in ("mqtt", "metrics", "programs", "page")
                if (table := getattr(self, name)) is not None
            },
            "watch": {
                name: watch.model_dump(mode="json", exclude_none=True)
                for name, watch in self.watches.items()
            },
        }


def find_file(named: str | None) -> Path | None:
    """Give the configuration file: the named one, ./ouzel.toml, the XDG place; None if none is."""
    if named is not None:
        path = expand(named)
        if not is_file(path):
            raise ConfigError("no such configuration file", file=path)
        return path
    here = Path("ouzel.toml")
    if is_file(here):
        return here
    try:
        path = _home("XDG_CONFIG_HOME", ".config") / "ouzel.toml"
    except ConfigError:  # without a home folder there is no file in it
        return None
    return path if is_file(path) else None


def load(path: Path | None) -> Config:
    """Read and check the file; without one everything has its default and there are no meters."""
    raw = {} if path is None else read_toml(path)
    try:
        whole = _Whole.model_validate(raw)
    except ValidationError as error:
        raise from_pydantic(error, file=path, model=_Whole) from error
    quantities = {**BUILT_IN, **{n: own_quantity(n, q, path) for n, q in whole.quantities.items()}}
    for name, tolerance in whole.bench.tolerance.items():
        if name not in quantities:
            raise _unknown("quantity", name, quantities, path, "bench.tolerance")
        if not tolerance.absolute and not tolerance.relative:
            raise ConfigError(
                "a tolerance needs a part above zero",
                file=path,
                key=f"bench.tolerance.{name}",
                allowed="absolute > 0 or relative > 0",
            )
    store = whole.store.model_copy(update={"path": _beside(path, whole.store.path, "store.path")})
    own = whole.bench.solutions
    bench = whole.bench.model_copy(
        update={"solutions": own and _beside(path, own, "bench.solutions")}
    )
    meters = {name: meter(name, table, path, quantities) for name, table in whole.meters.items()}
    check_preset(whole.bench.preset, path, "bench.preset")
    mqtt = whole.mqtt and beside(whole.mqtt, path, quantities)
    if path is not None:
        require_trusted(path, whole.programs, mqtt)
    require_known(whole.watch, meters, quantities, path)
    return Config(
        path,
        store,
        bench,
        quantities,
        meters,
        mqtt,
        whole.metrics,
        whole.programs,
        whole.watch,
        whole.page and page_beside(whole.page, path),
    )


def meter(
    name: str,
    table: Mapping[str, Any],
    path: Path | None = None,
    quantities: Mapping[str, Quantity] = BUILT_IN,
) -> MeterConfig:
    """Check one meter's table: what every meter has here, the rest by the driver's own settings."""
    key = f"meters.{name}"
    if not NAME.fullmatch(name):
        raise ConfigError(
            "a meter's name goes into files and topics",
            file=path,
            key=key,
            found=name,
            allowed="a small letter, then up to 31 of a-z 0-9 _ -",
        )
    model: type[BaseModel] = _MeterTable
    try:
        common = _MeterTable.model_validate(table)
        model = driver_class(common.driver).Settings
        mine = set(_MeterTable.model_fields) - {"driver"}
        rest = {k: v for k, v in table.items() if k not in mine}
        if "key_file" in rest and (copy := handed_over(f"{key}.key_file")):
            rest["key_file"] = str(copy)
        context = {
            "base": path.parent if path else Path.cwd(),
            "quantities": quantities,
            # What stands above the drivers and only a meter of the past needs is handed down to it.
            "driver_class": driver_class,
            "past": _open_past,
        }
        settings = model.model_validate(rest, context=context)
    except ValidationError as error:
        raise from_pydantic(error, file=path, key=key, model=model) from error
    except ConfigError as error:
        if error.file is not None:  # a profile names its own file
            raise
        raise ConfigError(
            error.problem,
            file=path,
            key=f"{key}.{error.key or 'driver'}",
            found=error.found,
            allowed=error.allowed,
        ) from error
    for quantity in common.required:
        if quantity not in quantities:
            raise _unknown("quantity", quantity, quantities, path, f"{key}.required")
    return MeterConfig(
        name,
        common.driver,
        settings,
        _silence_s(common, settings, path, key),
        common.check_every_days,
        common.required,
    )


def _silence_s(common: _MeterTable, settings: BaseModel, file: Path | None, key: str) -> float:
    """A meter that speaks rarely must not be taken for lost between two of its readings."""
    slowest_s = float(getattr(settings, "slowest_s", 0.0))
    if "silence_s" not in common.model_fields_set:
        return max(common.silence_s, 3 * slowest_s)
    if common.silence_s < 2 * slowest_s:
        raise ConfigError(
            f"too short for this meter, which is well with {slowest_s:g} s between two readings "
            "(interval_s and time-out of its profile)",
            file=file,
            key=f"{key}.silence_s",
            found=common.silence_s,
            allowed=f">= {2 * slowest_s:g}, or leave it out",
        )
    return common.silence_s


def _open_past(*args: Any, **kwargs: Any) -> Any:
    from acquire.store.past import open_past  # noqa: PLC0415  (the store is heavy)

    return open_past(*args, **kwargs)


def _beside(file: Path | None, path: Path, key: str) -> Path:
    """A relative path in the file means beside the file."""
    try:
        return expand(path, None if file is None else file.parent)
    except ConfigError as error:
        raise ConfigError(error.problem, file=file, key=key, found=error.found) from error


def check_preset(name: str, path: Path | None, key: str) -> None:
    """ConfigError when there is no preset of that name."""
    from acquire.presets import preset_names  # noqa: PLC0415
    from acquire.procedures import rule_names  # noqa: PLC0415

    known = (*preset_names(), *rule_names())
    if name not in known:
        raise _unknown("preset", name, known, path, key)


def _unknown(
    what: str, found: str, known: Iterable[str], file: Path | None, key: str
) -> ConfigError:
    names = list(known)
    problem = f"unknown {what}{did_you_mean(found, names)}"
    return ConfigError(problem, file=file, key=key, found=found, allowed=", ".join(names))
