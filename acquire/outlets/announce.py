"""Announcements by a person's own templates: hubs that learn devices from retained messages.

A template is a TOML file, one a hub: a topic and a JSON body with named places in braces, written
once per meter and quantity, and the topic on which the hub asks for everything again.
"""

from __future__ import annotations

import json
import string
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from acquire.config import Config
from acquire.errors import ConfigError
from acquire.outlets import senml
from acquire.outlets.messages import Message
from acquire.outward import MqttConfig
from acquire.readings import Reading
from acquire.toml_file import read_toml

__all__ = ["PLACES", "Announcements", "Template", "load_template"]

PLACES = (
    "meter",
    "quantity",
    "label",
    "unit",
    "digits",
    "base",
    "value_topic",
    "live_topic",
    "state_topic",
    "program_state_topic",
    "client_id",
)
"""Names that may stand in braces."""

_KEYS = {"topic": str, "body": dict, "asked_on": str, "asked_with": str, "retain": bool, "qos": int}


@dataclass(frozen=True, slots=True)
class Template:
    """One file, checked."""

    topic: str
    body: Mapping[str, Any]
    asked_on: str = ""
    """Topic on which the hub asks; empty when it never does."""
    asked_with: str = ""
    """What it says there; empty for anything."""
    retain: bool = True
    qos: int = 1

    def write(self, places: Mapping[str, str]) -> Message:
        payload = json.dumps(_filled(self.body, places), ensure_ascii=False, allow_nan=False)
        return Message(
            _fill(self.topic, places),
            payload.encode(),
            self.qos,
            retain=self.retain,
            content_type="application/json",
        )


class Announcements:
    """Every template for every meter and quantity."""

    def __init__(self, files: Sequence[Path], settings: MqttConfig, config: Config) -> None:
        self._templates = [load_template(path) for path in files]
        self._settings = settings
        self._config = config

    @property
    def asked_on(self) -> list[str]:
        return sorted({one.asked_on for one in self._templates if one.asked_on})

    def of(self, reading: Reading) -> list[Message]:
        """All announcements of one meter, as its readings show what it measures."""
        return [m for template in self._templates for m in self._written(template, reading)]

    def asked(self, topic: str, payload: bytes, newest: Mapping[str, Reading]) -> list[Message]:
        """What to send again when a hub says this."""
        return [
            message
            for template in self._templates
            if template.asked_on == topic and template.asked_with.encode() in (b"", payload)
            for reading in newest.values()
            for message in self._written(template, reading)
        ]

    def _written(self, template: Template, reading: Reading) -> Iterator[Message]:
        from acquire.outlets.broker import client_id  # noqa: PLC0415 - templates need no broker

        base, meter = self._settings.topic, senml.fit(reading.meter)
        for name in (*reading.values, *(q for q in reading.flags if q not in reading.values)):
            quantity = self._config.quantities.get(name)
            if quantity is None:
                continue
            yield template.write(
                {
                    "meter": meter,
                    "quantity": name,
                    "label": quantity.label,
                    "unit": quantity.shown_unit,
                    "digits": str(quantity.digits),
                    "base": base,
                    "value_topic": f"{base}/{meter}/{senml.fit(name)}",
                    "live_topic": f"{base}/{meter}/live",
                    "state_topic": f"{base}/{meter}/state",
                    "program_state_topic": f"{base}/state",
                    "client_id": client_id(self._settings),
                }
            )


def load_template(path: Path) -> Template:
    """Read and check a template; ConfigError names file, key and what is allowed."""
    raw = read_toml(path)
    for key, value in raw.items():
        kind = _KEYS.get(key)
        if kind is None:
            raise ConfigError("unknown key", file=path, key=key, allowed=", ".join(_KEYS))
        if type(value) is not kind:
            raise ConfigError("wrong kind", file=path, key=key, found=value, allowed=kind.__name__)
    for key in ("topic", "body"):
        if not raw.get(key):
            raise ConfigError("is missing", file=path, key=key)
    if raw.get("qos", 1) not in (0, 1):
        raise ConfigError("no such quality", file=path, key="qos", found=raw["qos"], allowed="0, 1")
    places = dict.fromkeys(PLACES, "x")
    try:
        topic = _fill(raw["topic"], places)
        json.dumps(_filled(raw["body"], places), allow_nan=False)
    except ConfigError as error:
        raise ConfigError(
            error.problem, file=path, found=error.found, allowed=error.allowed
        ) from error
    except (TypeError, ValueError) as error:
        raise ConfigError(f"cannot be JSON: {error}", file=path, key="body") from error
    if any(c in topic for c in "+#") or not all(topic.split("/")):
        raise ConfigError("not a topic", file=path, key="topic", found=raw["topic"])
    return Template(**raw)


def _filled(part: Any, places: Mapping[str, str]) -> Any:
    """Fill the places everywhere in a body; JSON is written from the result, so nothing a name
    holds can end a string.
    """
    if isinstance(part, str):
        return _fill(part, places)
    if isinstance(part, dict):
        return {_fill(key, places): _filled(value, places) for key, value in part.items()}
    if isinstance(part, list):
        return [_filled(value, places) for value in part]
    return part


def _fill(text: str, places: Mapping[str, str]) -> str:
    """Put words into braces; `{{` and `}}` are braces. Attributes and formats are refused."""
    done = []
    try:
        for literal, name, spec, conversion in string.Formatter().parse(text):
            done.append(literal)
            if name is None:
                continue
            if name not in places or spec or conversion:
                raise ConfigError(
                    "unknown place", found="{" + name + "}", allowed=", ".join(PLACES)
                )
            done.append(places[name])
    except ValueError as error:
        raise ConfigError(f"unpaired brace: {error}", found=text, allowed="{{ for one") from error
    return "".join(done)
