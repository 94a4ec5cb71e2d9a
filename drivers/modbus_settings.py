"""What the configuration says of a meter that is read over Modbus."""

from __future__ import annotations

from typing import Annotated, Any
from urllib.parse import urlsplit

from pydantic import (
    Field,
    PrivateAttr,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from acquire.quantities import BUILT_IN
from drivers.modbus_profile import ModbusMeter, assemble
from drivers.port_settings import PortSettings
from drivers.ports import PORT_FORMS
from drivers.profile import SerialSettings

__all__ = ["MODBUS_TCP_PORT", "ModbusSettings"]

MODBUS_TCP_PORT = 502
_TCP = "tcp://"


class ModbusSettings(PortSettings):
    """The meter's table in the configuration; the port may be ``tcp://HOST[:PORT]`` too."""

    port_forms = f"tcp://HOST[:PORT], {PORT_FORMS}"

    driver: str = "modbus"
    device: Annotated[int, Field(ge=0, le=255)] = 1
    """Its number on the line, 1 to 247; behind tcp:// 0 and up to 255 occur too."""

    _meter: ModbusMeter = PrivateAttr()

    @field_validator("port")
    @classmethod
    def _is_an_address(cls, port: str) -> str:
        if port.startswith(_TCP):
            _address(port)
        return port

    @model_validator(mode="after")
    def _device_can_be_on_the_line(self) -> ModbusSettings:
        if not self.is_tcp and not 1 <= self.device <= 247:
            raise PydanticCustomError(
                "device", "no device on a serial line has this number", {"allowed": "1 to 247"}
            )
        return self

    def model_post_init(self, context: Any) -> None:
        """Read the profile, so that `config check` finds what is wrong with it."""
        quantities = (context or {}).get("quantities", BUILT_IN)
        self._meter = assemble(self.profile_file, quantities)

    @property
    def meter(self) -> ModbusMeter:
        """The profile, ready for use."""
        return self._meter

    @property
    def is_tcp(self) -> bool:
        """Whether the frames are those of Modbus TCP, not RTU."""
        return self.port.startswith(_TCP)

    @property
    def line_port(self) -> str:
        """The port as `drivers.line` opens it."""
        return "tcp://{}:{}".format(*_address(self.port)) if self.is_tcp else self.port

    @property
    def slowest_s(self) -> float:
        """Seconds that may pass between two readings of a meter that is well: `acquire.meter`."""
        poll = self._meter.profile.poll
        return poll.interval_s + poll.timeout_s

    @property
    def wire(self) -> SerialSettings:
        """The serial settings in force."""
        return self.serial.over(self._meter.profile.serial)


def _address(url: str) -> tuple[str, int]:
    """Split tcp://HOST[:PORT]; the host comes back with the brackets of an IPv6 address."""
    try:
        parts = urlsplit(url)
        host, port = parts.hostname, parts.port
        is_plain = not (parts.path.strip("/") or parts.query or parts.fragment or parts.username)
    except ValueError:
        host, port, is_plain = None, None, False
    if not host or not is_plain or port == 0:
        raise PydanticCustomError(
            "port", "not the address of a Modbus TCP device", {"allowed": "tcp://HOST[:PORT]"}
        )
    return f"[{host}]" if ":" in host else host, port or MODBUS_TCP_PORT
