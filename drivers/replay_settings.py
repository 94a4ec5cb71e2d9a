"""What the configuration says of a meter of the past."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal, Protocol

from pydantic import (
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    PrivateAttr,
    ValidationError,
    ValidationInfo,
    field_validator,
)
from pydantic_core import PydanticCustomError

from acquire.clock import Clock
from acquire.errors import ConfigError
from acquire.meter import Driver, DriverClass
from acquire.paths import expand, is_file
from acquire.quantities import BUILT_IN, Quantity
from acquire.readings import Channel, Reading
from acquire.validation import from_pydantic
from drivers.profile import find_profile
from drivers.recorded import head_of, is_recording

__all__ = ["Past", "ReplaySettings"]


class Past(Protocol):
    """Readings of one meter that the program has kept, in the order of time."""

    @property
    def channels(self) -> Sequence[Channel]: ...

    @property
    def length_s(self) -> float:
        """Seconds from the first reading to the last."""
        ...

    def readings(self) -> Iterator[Reading]: ...


class ReplaySettings(BaseModel):
    """The meter's table in the configuration.

    Validation context: ``base``, the folder that relative paths start from; ``quantities``, the
    table of quantities; ``driver_class``, which gives a driver by its name; ``past``, which opens
    an export or a store: ``past(file, meter=, since_ms=, until_ms=) -> Past``. The last two are
    handed in because they stand above the drivers.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    driver: Literal["replay"] = "replay"
    file: Path
    speed: Annotated[float, Field(gt=0, le=1e6)] = 1.0
    """How many times faster than it happened."""
    meter: str = ""
    """Which meter of an export or store; may be left out when there is only one."""
    since: AwareDatetime | None = None
    until: AwareDatetime | None = None
    """Part of an export or store: from `since` to before `until`."""
    profile: str = ""
    """For a recording: instead of the profile it was made with."""
    table: dict[str, Any] = Field(default_factory=dict)
    """For a recording: further keys of the table its own driver needs."""

    _driver: tuple[DriverClass, BaseModel] | None = PrivateAttr(default=None)
    _past: Callable[..., Past] | None = PrivateAttr(default=None)
    _quantities: Mapping[str, Quantity] = PrivateAttr()

    @field_validator("file")
    @classmethod
    def _is_there(cls, file: Path, info: ValidationInfo) -> Path:
        base = (info.context or {}).get("base")
        path = expand(file, Path.cwd() if base is None else Path(base))
        if not is_file(path):
            raise PydanticCustomError(
                "file", "no such file", {"allowed": "a recording, an exported CSV file or a store"}
            )
        return path

    def model_post_init(self, context: Any) -> None:
        """Look into the file, so that `config check` finds what is wrong."""
        given = context or {}
        self._quantities = given.get("quantities", BUILT_IN)
        self._past = given.get("past")
        if is_recording(self.file):
            self._refuse("for an export or a store", "meter", "since", "until")
            self._driver = self._recorded(given)
        else:
            self._refuse("for a recording", "profile", "table")

    def _refuse(self, why: str, *keys: str) -> None:
        for key in keys:
            if getattr(self, key):
                raise ConfigError(f"this key is {why}, which {self.file.name} is not", key=key)

    def _recorded(self, given: Mapping[str, Any]) -> tuple[DriverClass, BaseModel]:
        """Give the driver that made the recording and its settings, without a port."""
        head = head_of(self.file)
        if "driver_class" not in given:
            raise ConfigError("there is no program here to find the recording's driver")
        if head.driver in {"", "replay"}:
            raise ConfigError("the recording does not name its driver", file=self.file)
        found: DriverClass = given["driver_class"](head.driver)
        table = {"driver": head.driver, "port": f"recorded://{self.file.name}", **self.table}
        profile = self.profile or head.profile
        if profile:
            table["profile"] = profile
        try:
            if profile and not self.profile:
                find_profile(profile, given.get("base"), head.driver)
        except ConfigError as error:
            raise ConfigError(
                f"the recording was made with the profile {profile!r}: name its file",
                key="profile",
                allowed=error.allowed,
            ) from error
        try:
            return found, found.Settings.model_validate(table, context=given)
        except ValidationError as error:
            raise from_pydantic(error, model=found.Settings) from error

    @property
    def is_recording(self) -> bool:
        """Whether the file holds bytes, not readings."""
        return self._driver is not None

    @property
    def slowest_s(self) -> float:
        """Seconds that may pass between two readings of a meter that is well: `acquire.meter`."""
        settings = None if self._driver is None else self._driver[1]
        return float(getattr(settings, "slowest_s", 0.0))

    @property
    def quantities(self) -> Mapping[str, Quantity]:
        """The table of quantities."""
        return self._quantities

    def make_driver(self, *, meter: str, clock: Clock) -> Driver:
        """Make the driver the recording was made with."""
        if self._driver is None:
            raise ConfigError("not a recording", file=self.file)
        found, settings = self._driver
        return found(settings, meter=meter, clock=clock)

    def past(self) -> Past:
        """Open the export or store; errors of the program's own, all `OuzelError`."""
        if self._past is None:
            raise ConfigError("there is no program here to read an export or a store")
        return self._past(
            self.file,
            meter=self.meter,
            since_ms=0 if self.since is None else round(self.since.timestamp() * 1000),
            until_ms=None if self.until is None else round(self.until.timestamp() * 1000),
        )
