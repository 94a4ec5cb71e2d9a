"""A meter without a port: a person reads its display and types the numbers."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import AbstractAsyncContextManager
from pathlib import Path
from typing import Any, ClassVar, Literal

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr

from acquire.clock import Clock
from acquire.errors import ConfigError, MeterLost
from acquire.quantities import BUILT_IN, Quantity
from acquire.readings import Channel, Reading
from acquire.toml_file import read_table
from drivers.codecs.typed import TypedField
from drivers.measures import Measures, Table, at, channel_of, scale_of
from drivers.profile import find_profile

__all__ = ["ByHand", "ByHandSettings"]

_USUAL = "usual"


class _Profile(Table):
    """A profile for this driver: nothing but what the display shows."""

    description: str = ""
    driver: Literal["by_hand"]
    quantities: dict[str, Measures] = Field(min_length=1)


class ByHandSettings(BaseModel):
    """The meter's table in the configuration: its quantities, or a profile that lists them.

    Validation context: see `TextLinesSettings`.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    driver: Literal["by_hand"] = "by_hand"
    profile: str = ""
    """A shipped profile or the path of one; `usual` where no quantities are given either."""
    quantities: dict[str, Measures] = Field(default_factory=dict)

    _measures: Mapping[str, Measures] = PrivateAttr()
    _fields: tuple[TypedField, ...] = PrivateAttr()

    def model_post_init(self, context: Any) -> None:
        """Read the profile, so that `config check` finds what is wrong with it."""
        given = context or {}
        table = given.get("quantities", BUILT_IN)
        if self.quantities and self.profile:
            raise ConfigError("either a profile or quantities, not both", key="profile")
        self._measures = self.quantities
        file: Path | None = None
        if not self.quantities:
            base = given.get("base")
            name = self.profile or _USUAL
            with at("profile"):
                file = find_profile(name, None if base is None else Path(base), "by_hand")
            self._measures = read_table(file, _Profile).quantities
        with at(file=file):
            self._fields = tuple(self._field(name, table) for name in self._measures)

    def _field(self, name: str, table: Mapping[str, Quantity]) -> TypedField:
        mine = self._measures[name]
        quantity = scale_of(name, self._measures, table).quantity
        return TypedField(quantity, mine.unit, mine.resolution, mine.factor, mine.offset)

    @property
    def fields(self) -> Sequence[TypedField]:
        """The places on the display, in the order they are asked for."""
        return self._fields

    @property
    def channels(self) -> Sequence[Channel]:
        return tuple(channel_of(f.quantity, self._measures[f.quantity.name]) for f in self._fields)


class ByHand:
    """Numbers that a person types with `ouzel capture`."""

    Settings: ClassVar[type[BaseModel]] = ByHandSettings

    def __init__(self, settings: ByHandSettings, *, meter: str, clock: Clock) -> None:  # noqa: ARG002  (the contract)
        self.bad_frames = 0
        self._settings = settings
        self._meter = meter

    @property
    def channels(self) -> Sequence[Channel]:
        return self._settings.channels

    @property
    def identity(self) -> str:
        """Nobody can tell which meter a person looked at."""
        return ""

    @property
    def fields(self) -> Sequence[TypedField]:
        """The places on the display."""
        return self._settings.fields

    def open(self) -> AbstractAsyncContextManager[AsyncIterator[Reading]]:
        """There is nothing to open: MeterLost, for good."""
        raise MeterLost(
            f"{self._meter} is read by a person: type its numbers with `ouzel capture --by-hand`",
            is_over=True,
        )
