"""What the configuration says of a meter that sends lines of text."""

from __future__ import annotations

from typing import Any

from pydantic import PrivateAttr

from acquire.quantities import BUILT_IN
from drivers.assembly import TextMeter, assemble
from drivers.port_settings import PortSettings
from drivers.profile import SerialSettings

__all__ = ["TextLinesSettings"]


class TextLinesSettings(PortSettings):
    """The meter's table in the configuration."""

    driver: str = "text_lines"

    _meter: TextMeter = PrivateAttr()

    def model_post_init(self, context: Any) -> None:
        """Read the profile, so that `config check` finds what is wrong with it."""
        quantities = (context or {}).get("quantities", BUILT_IN)
        self._meter = assemble(self.profile_file, quantities)

    @property
    def meter(self) -> TextMeter:
        """The profile, ready for use."""
        return self._meter

    @property
    def slowest_s(self) -> float:
        """Seconds that may pass between two readings of a meter that is well: `acquire.meter`."""
        return self._meter.profile.slowest_s

    @property
    def wire(self) -> SerialSettings:
        """The serial settings in force."""
        return self.serial.over(self._meter.profile.serial)
