"""What the configuration says of any meter: which profile, and for most on which port."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, ClassVar

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from acquire.errors import ConfigError
from drivers.ports import PORT_FORMS, is_port, not_a_port
from drivers.profile import SerialOverrides, find_profile, shipped_profiles

__all__ = ["PortSettings", "ProfileSettings"]


class ProfileSettings(BaseModel):
    """A meter's table in the configuration; each driver's own inherits and names its `driver`.

    Validation context: ``base``, the folder that relative paths of profiles start from;
    ``quantities``, the table of quantities a profile may name (default: the built-in ones).
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    driver: str
    profile: Annotated[str, Field(min_length=1)]
    """A shipped profile or the path of one."""

    @field_validator("profile")
    @classmethod
    def _is_there(cls, profile: str, info: ValidationInfo) -> str:
        base = (info.context or {}).get("base")
        driver = cls.model_fields["driver"].default
        try:
            path = find_profile(profile, None if base is None else Path(base), driver)
        except ConfigError as error:
            raise PydanticCustomError(
                "profile", "{problem}", {"problem": error.problem, "allowed": error.allowed}
            ) from error
        return profile if profile in shipped_profiles(driver) else str(path)

    @property
    def profile_file(self) -> Path:
        """The profile's file."""
        return find_profile(self.profile, driver=type(self).model_fields["driver"].default)


class PortSettings(ProfileSettings):
    """The table of a meter on a serial port or a URL."""

    port_forms: ClassVar[str] = PORT_FORMS
    """The forms a port may have, for the error."""

    port: Annotated[str, Field(min_length=1)]
    serial: SerialOverrides = SerialOverrides()
    """Only the keys given replace those of the profile."""

    @field_validator("port")
    @classmethod
    def _has_the_form_of_a_port(cls, port: str) -> str:
        if not is_port(port):
            raise PydanticCustomError(
                "port", "{problem}", {"problem": not_a_port(port), "allowed": cls.port_forms}
            )
        return port
