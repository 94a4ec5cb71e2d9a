"""Settings of what carries outward: the broker, conventions on it, metrics, programs, the page."""

from __future__ import annotations

import re
import stat
import uuid
from collections.abc import Mapping
from importlib.util import find_spec
from ipaddress import ip_address
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator
from pydantic_core import PydanticCustomError

from acquire.errors import ConfigError
from acquire.paths import handed_over, read_secret

__all__ = [
    "COMMANDS",
    "AnnounceConfig",
    "HomieConfig",
    "MetricsConfig",
    "MqttConfig",
    "PageConfig",
    "ProgramsConfig",
    "beside",
    "machine_urn",
    "page_beside",
    "read_secret",
    "require_trusted",
]

COMMANDS = ("water", "skip", "stop", "round", "resume", "redo", "note", "answer", "capture")
"""What a broker may ask for, where the configuration allows it."""

_Seconds = Annotated[float, Field(gt=0, le=86_400, allow_inf_nan=False)]
_HOMIE_ID = re.compile(r"[a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?")
_SENML_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")


def _complain(text: str, allowed: str) -> PydanticCustomError:
    return PydanticCustomError("outward", text, {"allowed": allowed})


def _topic(text: str) -> str:
    """Topics begin with it, so it can be no wildcard and no level can be empty."""
    if (
        not text
        or len(text) > 200
        or any(not level for level in text.split("/"))
        or text.startswith("$")
        or any(c in "+#" or ord(c) < 32 for c in text)
    ):
        raise _complain("not a topic", "levels with / between, no + or #, not beginning with $")
    return text


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class HomieConfig(_Table):
    """[mqtt.homie]"""

    version: Literal[4, 5] = 5
    topic: str = "homie"
    device: str = "ouzel"

    @field_validator("topic")
    @classmethod
    def _one_level(cls, text: str) -> str:
        if "/" in text:
            raise _complain("the convention allows one level", "a word without /")
        return _topic(text)

    @field_validator("device")
    @classmethod
    def _id(cls, text: str) -> str:
        if not _HOMIE_ID.fullmatch(text):
            raise _complain("not an id of the convention", "a-z 0-9 and - between")
        return text


class AnnounceConfig(_Table):
    """[mqtt.announce]"""

    templates: tuple[Path, ...] = ()


class MqttConfig(_Table):
    """[mqtt]"""

    host: Annotated[str, Field(min_length=1, max_length=253)]
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    version: Literal["auto", "5", "3.1.1"] = "auto"
    transport: Literal["tcp", "websockets"] = "tcp"
    websocket_path: str = "/mqtt"
    tls: bool = False
    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None
    user: str | None = None
    password_file: Path | None = None
    client_id: Annotated[str, Field(min_length=1, max_length=64)] | None = None
    keepalive_s: Annotated[int, Field(ge=5, le=3600)] = 30
    will_delay_s: Annotated[int, Field(ge=0, le=3600)] = 15
    reconnect_most_s: Annotated[float, Field(gt=0, le=3600)] = 60.0
    topic: str = "ouzel"
    source: str | None = None
    format: Literal["senml+json", "senml+cbor"] = "senml+json"
    plain: bool = True
    every_s: _Seconds = 5.0
    at_least_s: _Seconds = 60.0
    expiry_s: Annotated[int, Field(ge=1, le=86_400)] = 180
    dead_band: dict[str, Annotated[float, Field(ge=0, allow_inf_nan=False)]] = Field(
        default_factory=dict
    )
    outbox_rows: Annotated[int, Field(ge=1, le=10_000_000)] = 100_000
    drain_per_s: Annotated[float, Field(gt=0, le=10_000)] = 20.0
    commands: tuple[
        Literal["water", "skip", "stop", "round", "resume", "redo", "note", "answer", "capture"],
        ...,
    ] = ()
    rollups: Literal["", "minutes", "hours", "days"] = ""
    """The level of roll-ups that is carried out, each once it is over."""
    homie: HomieConfig | None = None
    announce: AnnounceConfig = AnnounceConfig()

    _topics = field_validator("topic")(_topic)

    @field_validator("host")
    @classmethod
    def _host_alone(cls, text: str) -> str:
        if "@" in text or "/" in text or not text.isprintable() or " " in text:
            # Perhaps with a password in it, so it is not repeated.
            allowed = {"allowed": "a name or an address; user, password_file and port beside it"}
            raise PydanticCustomError("outward", "not a host alone", {**allowed, "secret": True})
        return text

    @field_validator("source")
    @classmethod
    def _named(cls, text: str | None) -> str | None:
        if text is not None and not _SENML_NAME.fullmatch(text):
            raise _complain("cannot begin a SenML name", "a-z A-Z 0-9 - : . / _, as in urn:dev:...")
        return text

    @model_validator(mode="after")
    def _fits_together(self) -> MqttConfig:
        if self.password_file is not None and self.user is None:
            raise _complain("a password needs a user", "user = ... beside password_file")
        if (self.cert_file is None) != (self.key_file is None):
            raise _complain("a client certificate needs its key", "cert_file and key_file together")
        if self.at_least_s < self.every_s:
            raise _complain("at_least_s is shorter than every_s", "at_least_s >= every_s")
        return self

    @property
    def has_tls(self) -> bool:
        return self.tls or self.ca_file is not None or self.cert_file is not None

    @property
    def port_used(self) -> int:
        """The port named, else the one the standard registers: 1883, 8883 with TLS."""
        return self.port or (8883 if self.has_tls else 1883)


class MetricsConfig(_Table):
    """[metrics]"""

    port: Annotated[int, Field(ge=0, le=65535)]


class PageConfig(_Table):
    """[page]"""

    on: bool = True
    host: Annotated[str, Field(min_length=1, max_length=253)] = "127.0.0.1"
    """The address listened at; beyond loopback nobody comes in without a token."""
    port: Annotated[int, Field(ge=0, le=65535)] = 8480
    """0: any free one."""
    tokens_file: Path | None = None
    """Hashes of who may come in; beside the store unless named."""
    cert_file: Path | None = None
    key_file: Path | None = None
    hosts: tuple[Annotated[str, Field(pattern=r"^[A-Za-z0-9.-]{1,253}$")], ...] = ()
    """Names under which browsers may call this machine, beside its own."""
    streams: Annotated[int, Field(ge=1, le=1000)] = 60
    rate_per_s: Annotated[float, Field(gt=0, le=10_000)] = 40.0
    """Requests of one address in a second, on the long run; five times that at once."""
    body_bytes: Annotated[int, Field(ge=1024, le=16_777_216)] = 65_536

    @model_validator(mode="after")
    def _fits_together(self) -> PageConfig:
        if (self.cert_file is None) != (self.key_file is None):
            raise _complain("a certificate needs its key", "cert_file and key_file together")
        return self

    @property
    def is_loopback(self) -> bool:
        """Whether only this machine can come to it."""
        if self.host == "localhost":
            return True
        try:
            return ip_address(self.host).is_loopback
        except ValueError:
            return False


class ProgramsConfig(_Table):
    """[programs]"""

    on_capture: tuple[str, ...] = ()
    on_alert: tuple[str, ...] = ()
    timeout_s: Annotated[float, Field(gt=0, le=3600)] = 10.0


def beside(mqtt: MqttConfig, file: Path | None, quantities: Mapping[str, object]) -> MqttConfig:
    """Give the settings with every path meant from the file's own folder, secrets looked at."""
    folder = _folder(file)
    for name in mqtt.dead_band:
        if name not in quantities:
            allowed = ", ".join(quantities)
            raise ConfigError(
                "unknown quantity", file=file, key="mqtt.dead_band", found=name, allowed=allowed
            )
    if mqtt.format == "senml+cbor" and find_spec("cbor2") is None:
        raise ConfigError(
            "CBOR needs the package cbor2: pip install cbor2", file=file, key="mqtt.format"
        )
    named = _files(mqtt, "mqtt", ("ca_file", "cert_file", "key_file", "password_file"), file)
    announce = mqtt.announce.model_copy(
        update={"templates": tuple(folder / t.expanduser() for t in mqtt.announce.templates)}
    )
    return mqtt.model_copy(update={**named, "announce": announce})


def page_beside(page: PageConfig, file: Path | None) -> PageConfig:
    """Give the settings with every path meant from the file's own folder, secrets looked at."""
    named = _files(page, "page", ("cert_file", "key_file"), file)
    if page.tokens_file is not None:  # made with the first invitation: need not be there
        named["tokens_file"] = _folder(file) / page.tokens_file.expanduser()
    return page.model_copy(update=named)


def _folder(file: Path | None) -> Path:
    return Path.cwd() if file is None else file.parent


def _files(
    table: BaseModel, name: str, keys: tuple[str, ...], file: Path | None
) -> dict[str, Path]:
    """Give the files a table names; ConfigError where one is not there or open to everybody."""
    named: dict[str, Path] = {}
    for key in keys:
        path: Path | None = getattr(table, key)
        if path is None:
            continue
        named[key] = handed_over(f"{name}.{key}") or _folder(file) / path.expanduser()
        if not named[key].is_file():
            # Some people write the password itself here: it is not repeated.
            found = None if key == "password_file" else str(named[key])
            allowed = "" if found else "the name of a file whose first line is the password"
            raise ConfigError(
                "no such file", file=file, key=f"{name}.{key}", found=found, allowed=allowed
            )
    for key in {"password_file", "key_file"} & named.keys():
        try:
            read_secret(named[key])
        except ConfigError as error:
            raise ConfigError(
                error.problem, file=file, key=f"{name}.{key}", allowed=error.allowed
            ) from error
    return named


def require_trusted(file: Path, programs: ProgramsConfig, mqtt: MqttConfig | None) -> None:
    """ConfigError when anybody could change a file that starts programs or sends a secret out."""
    starts = bool(programs.on_capture or programs.on_alert)
    sends = mqtt is not None and (mqtt.password_file is not None or mqtt.key_file is not None)
    mode = stat.S_IMODE(file.stat().st_mode)
    if (starts or sends) and mode & stat.S_IWOTH:
        what = "starts programs" if starts else "says where a secret is sent"
        raise ConfigError(
            f"this file {what}, and everybody on this machine can change it (mode {mode:04o})",
            file=file,
            allowed=f"nobody else: chmod o-w {file.name}",
        )


def machine_urn() -> str:
    """Give a name of this machine that no other has and that tells nothing about it.

    RFC 8428 section 4.5.1 wants names unique in the world; RFC 9562 section 5.5 makes them.
    """
    for place in ("/etc/machine-id", "/var/lib/dbus/machine-id"):
        try:
            seed = Path(place).read_text("ascii").strip()
        except (OSError, UnicodeDecodeError):
            continue
        if seed:
            # The id itself must not leave the machine (machine-id(5)): a hash of it may.
            return uuid.uuid5(uuid.NAMESPACE_URL, f"ouzel:{seed}").urn
    return uuid.uuid5(uuid.NAMESPACE_URL, f"ouzel:{uuid.getnode():012x}").urn
