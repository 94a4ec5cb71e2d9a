"""What the configuration says of a sensor that is read over SDI-12."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field, PrivateAttr, field_validator
from pydantic_core import PydanticCustomError

from acquire.quantities import BUILT_IN
from drivers.codecs.sdi12 import is_address
from drivers.port_settings import PortSettings
from drivers.profile import SerialSettings
from drivers.sdi12_profile import Sdi12Meter, assemble, check_parity

__all__ = ["ANY", "Sdi12Settings"]

ANY = "?"
"""The address that the one sensor on a wire answers to, whatever its own."""


class Sdi12Settings(PortSettings):
    """The meter's table in the configuration."""

    driver: str = "sdi12"
    profile: Annotated[str, Field(min_length=1)] = "described"
    address: str = ANY
    """0-9, A-Z, a-z; ``?`` asks the sensor, which must be alone on the wire."""

    _meter: Sdi12Meter = PrivateAttr()

    @field_validator("address")
    @classmethod
    def _is_an_address(cls, address: str) -> str:
        if address != ANY and not is_address(address):
            raise PydanticCustomError(
                "address", "not an SDI-12 address", {"allowed": "one of 0-9, A-Z, a-z, or ?"}
            )
        return address

    def model_post_init(self, context: Any) -> None:
        """Read the profile, so that `config check` finds what is wrong with it."""
        quantities = (context or {}).get("quantities", BUILT_IN)
        self._meter = assemble(self.profile_file, quantities)
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
