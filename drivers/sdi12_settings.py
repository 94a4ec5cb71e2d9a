"""What the configuration says of a sensor that is read over SDI-12."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from acquire.errors import ConfigError
from acquire.quantities import BUILT_IN
from drivers.codecs.sdi12 import is_address
from drivers.ports import PORT_FORMS, is_port, not_a_port
from drivers.profile import SerialOverrides, SerialSettings, find_profile, shipped_profiles
from drivers.sdi12_profile import Sdi12Meter, assemble, check_parity

__all__ = ["ANY", "Sdi12Settings"]

ANY = "?"
"""The address that the one sensor on a wire answers to, whatever its own."""


class Sdi12Settings(BaseModel):
    """The meter's table in the configuration.

    Validation context: ``base``, the folder that relative paths of profiles start from;
    ``quantities``, the table of quantities that may be named (default: the built-in ones).
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    driver: str = "sdi12"
    profile: Annotated[str, Field(min_length=1)] = "described"
    """A shipped profile or the path of one."""
    port: Annotated[str, Field(min_length=1)]
    address: str = ANY
    """0-9, A-Z, a-z; ``?`` asks the sensor, which must be alone on the wire."""
    serial: SerialOverrides = SerialOverrides()
    """Only the keys given replace those of the profile."""

    _meter: Sdi12Meter = PrivateAttr()

    @field_validator("port")
    @classmethod
    def _has_the_form_of_a_port(cls, port: str) -> str:
        if not is_port(port):
            raise PydanticCustomError(
                "port", "{problem}", {"problem": not_a_port(port), "allowed": PORT_FORMS}
            )
        return port

    @field_validator("address")
    @classmethod
    def _is_an_address(cls, address: str) -> str:
        if address != ANY and not is_address(address):
            raise PydanticCustomError(
                "address", "not an SDI-12 address", {"allowed": "one of 0-9, A-Z, a-z, or ?"}
            )
        return address

    @field_validator("profile")
    @classmethod
    def _is_there(cls, profile: str, info: ValidationInfo) -> str:
        base = (info.context or {}).get("base")
        try:
            path = find_profile(profile, None if base is None else Path(base), "sdi12")
        except ConfigError as error:
            raise PydanticCustomError(
                "profile", "{problem}", {"problem": error.problem, "allowed": error.allowed}
            ) from error
        return profile if profile in shipped_profiles("sdi12") else str(path)

    def model_post_init(self, context: Any) -> None:
        """Read the profile, so that `config check` finds what is wrong with it."""
        quantities = (context or {}).get("quantities", BUILT_IN)
        self._meter = assemble(find_profile(self.profile, driver="sdi12"), quantities)
        check_parity(self._meter, self.wire)

    @property
    def meter(self) -> Sdi12Meter:
        """The profile, ready for use."""
        return self._meter

    @property
    def slowest_s(self) -> float:
        """Seconds that may pass between two readings of a meter that is well: `acquire.meter`."""
        return self._meter.profile.measure.interval_s

    @property
    def wire(self) -> SerialSettings:
        """The serial settings in force."""
        return self.serial.over(self._meter.profile.serial)
