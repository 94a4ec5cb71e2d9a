"""What the configuration says of a meter on Bluetooth."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import (
    Field,
    PrivateAttr,
    ValidationInfo,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from acquire.errors import ConfigError
from acquire.paths import expand, read_secret
from acquire.quantities import BUILT_IN
from drivers import advert_profile, gatt_profile
from drivers.port_settings import ProfileSettings

__all__ = ["AdvertSettings", "GattSettings"]

_MAC = re.compile(r"[0-9A-F]{2}(?::[0-9A-F]{2}){5}")
_UUID = re.compile(r"[0-9A-F]{8}(?:-[0-9A-F]{4}){3}-[0-9A-F]{12}")  # what macOS shows instead
_KEY = re.compile(r"[0-9a-f]{32}")
_MAC_FORM = "six pairs of hexadecimal digits with colons"


class _BleSettings(ProfileSettings):
    """The meter's table in the configuration."""

    address: str
    """As `ouzel find` shows it."""
    adapter: Annotated[str, Field(max_length=20)] = ""
    """Which Bluetooth adapter, where there are several (Linux: hci0, hci1 ...)."""

    @field_validator("address")
    @classmethod
    def _has_the_form_of_an_address(cls, address: str) -> str:
        plain = address.strip().upper().replace("_", ":")
        if not (_MAC.fullmatch(plain) or _UUID.fullmatch(plain)):
            allowed = f"{_MAC_FORM} (on macOS a UUID): `ouzel find` shows them"
            raise PydanticCustomError("address", "not an address", {"allowed": allowed})
        return plain


class GattSettings(_BleSettings):
    """A meter that is connected to."""

    driver: str = "gatt"

    _meter: gatt_profile.GattMeter = PrivateAttr()

    def model_post_init(self, context: Any) -> None:
        """Read the profile, so that `config check` finds what is wrong with it."""
        self._meter = gatt_profile.assemble(
            self.profile_file, (context or {}).get("quantities", BUILT_IN)
        )

    @property
    def meter(self) -> gatt_profile.GattMeter:
        """The profile, ready for use."""
        return self._meter

    @property
    def slowest_s(self) -> float:
        """Seconds that may pass between two readings of a meter that is well: `acquire.meter`."""
        link = self._meter.profile.link
        return link.interval_s + link.timeout_s


class AdvertSettings(_BleSettings):
    """A meter that broadcasts; the key of an encrypted one stands in a file or the environment."""

    driver: str = "adverts"
    key_file: str = ""
    """File of 32 hexadecimal digits."""
    key_env: str = ""
    """Name of an environment variable with the same."""
    mac: str = ""
    """The device's own address, where the system shows another one (macOS): for decryption."""

    _meter: advert_profile.AdvertMeter = PrivateAttr()
    _key: bytes = PrivateAttr(default=b"")

    @field_validator("key_file")
    @classmethod
    def _is_a_file_with_a_key(cls, key_file: str, info: ValidationInfo) -> str:
        if not key_file:
            return ""
        path = expand(key_file, Path((info.context or {}).get("base") or Path.cwd()))
        try:
            text = read_secret(path, "ascii")
        except ConfigError as error:
            raise _bad_key(error.problem, *([error.allowed] if error.allowed else [])) from error
        _key(text)
        return str(path)

    @field_validator("key_env")
    @classmethod
    def _is_a_variable_with_a_key(cls, key_env: str) -> str:
        if key_env and key_env not in os.environ:
            raise _bad_key("no such environment variable")
        if key_env:
            _key(os.environ[key_env])
        return key_env

    @field_validator("mac")
    @classmethod
    def _is_a_mac(cls, mac: str) -> str:
        plain = mac.strip().upper()
        if plain and not _MAC.fullmatch(plain):
            raise PydanticCustomError("mac", "not an address", {"allowed": _MAC_FORM})
        return plain

    def model_post_init(self, context: Any) -> None:
        """Read profile and key, so that `config check` finds what is wrong with them."""
        self._meter = advert_profile.assemble(
            self.profile_file, (context or {}).get("quantities", BUILT_IN)
        )
        if self.key_file:
            self._key = _key(read_secret(Path(self.key_file), "ascii"))
        elif self.key_env:
            self._key = _key(os.environ[self.key_env])

    @model_validator(mode="after")
    def _keys_make_sense(self) -> Self:
        problem, allowed = "", ""
        if self.key_file and self.key_env:
            problem, allowed = "two keys", "key_file or key_env"
        elif self._key and not isinstance(self._meter.profile.advert, advert_profile.BtHome):
            problem, allowed = "adverts of this profile are never encrypted", "no key"
        elif self._key and not _MAC.fullmatch(self.mac or self.address):
            problem, allowed = "decryption needs the device's own address", f"mac = {_MAC_FORM}"
        if problem:
            raise PydanticCustomError("key", "{problem}", {"problem": problem, "allowed": allowed})
        return self

    @property
    def meter(self) -> advert_profile.AdvertMeter:
        """The profile, ready for use."""
        return self._meter

    @property
    def slowest_s(self) -> float:
        """Seconds that may pass between two readings of a meter that is well: `acquire.meter`."""
        advert = self._meter.profile.advert
        return advert.interval_s + advert.repeat_s

    @property
    def key(self) -> bytes:
        """Sixteen bytes, or none."""
        return self._key

    @property
    def nonce_address(self) -> bytes:
        """The address as encrypted adverts are bound to it; empty without a key."""
        return bytes.fromhex((self.mac or self.address).replace(":", "")) if self._key else b""


def _key(text: str) -> bytes:
    """Read a key; what was found is a secret, or nearly one, and is not shown."""
    plain = text.strip().lower()
    if not _KEY.fullmatch(plain):
        raise _bad_key("holds no key")
    return bytes.fromhex(plain)


def _bad_key(problem: str, allowed: str = "32 hexadecimal digits") -> PydanticCustomError:
    return PydanticCustomError("key", "{problem}", {"problem": problem, "allowed": allowed})
