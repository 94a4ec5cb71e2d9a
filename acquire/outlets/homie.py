"""The Homie convention, versions 5 and 4: one device, a node a meter, a property a quantity. Pure.

Homie has no times beside its values: whoever reads them takes them for now. So only newest values
are given here, never what waited in the outbox, and a meter that is away says so in its state.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from acquire.outlets.messages import Message
from acquire.outward import HomieConfig
from acquire.quantities import BUILT_IN, Quantity
from acquire.readings import Reading

__all__ = ["STATES", "Homie"]

STATES = ("air", "moving", "settling", "settled", "away")
"""How a meter can stand."""

_VOLTS = {"mV": ("V", 1e-3, 3)}
"""Units the convention's list has no word for, said in one it has: factor, further decimals."""


class Homie:
    """Writes the messages of one device."""

    def __init__(
        self, settings: HomieConfig, quantities: Mapping[str, Quantity] = BUILT_IN
    ) -> None:
        self._version = settings.version
        middle = "5/" if settings.version == 5 else ""
        self._root = f"{settings.topic}/{middle}{settings.device}"
        self._quantities = quantities
        self._alerting: set[str] = set()
        self._nodes: dict[str, str] = {}
        """Meter to its id."""
        self._properties: dict[str, tuple[str, ...]] = {}
        """Meter to the quantities it measures."""

    def state(self, word: str) -> Message:
        """The device's own state: init, ready, disconnected; lost is its last will."""
        return self._kept("$state", word)

    def meet(self, reading: Reading) -> bool:
        """Get to know a meter by what it says; tells whether the device is now another."""
        found = tuple(sorted({*reading.values, *reading.flags} & self._quantities.keys()))
        known = self._properties.get(reading.meter, ())
        if set(found) <= set(known):
            return False
        self._properties[reading.meter] = tuple(dict.fromkeys((*known, *found)))
        if reading.meter not in self._nodes:
            self._nodes[reading.meter] = _free(_id(reading.meter), self._nodes.values())
        return True

    def introduction(self, at_s: int) -> list[Message]:
        """What the device is; may only change while its state is init."""
        if self._version == 5:
            text = json.dumps(self.description(at_s), ensure_ascii=False, separators=(",", ":"))
            return [self._kept("$description", text)]
        return [self._kept(topic, text) for topic, text in self._attributes()]

    def description(self, version: int) -> dict[str, Any]:
        """The document of version 5; `version` changes whenever it does."""
        return {
            "homie": "5.0",
            "version": version,
            "name": "ouzel",
            "nodes": {
                node: {
                    "name": meter,
                    "type": "water probe",
                    "properties": {
                        **{_id(q): self._property(q) for q in self._properties[meter]},
                        "state": {
                            "name": "State",
                            "datatype": "enum",
                            "format": ",".join(STATES),
                        },
                    },
                }
                for meter, node in self._nodes.items()
            },
        }

    def values(self, reading: Reading) -> list[Message]:
        """Newest values; one that is flagged is not given, as it may lie outside the format."""
        node = self._nodes.get(reading.meter)
        return [
            self._kept(f"{node}/{_id(quantity)}", self._payload(quantity, value))
            for quantity, value in reading.values.items()
            if node is not None
            and quantity in self._properties[reading.meter]
            and quantity not in reading.flags
        ]

    def meter_state(self, meter: str, word: str) -> list[Message]:
        """How a meter stands; none before it was met."""
        node = self._nodes.get(meter)
        return [] if node is None else [self._kept(f"{node}/state", word)]

    def alert(self, meter: str, text: str) -> list[Message]:
        """Something a person should look at; with an empty text it is over.

        Version 4 knows no alerts of a part, only a state of the whole device.
        """
        if self._version == 4:
            (self._alerting.add if text else self._alerting.discard)(meter)
            return [self.state("alert" if self._alerting else "ready")]
        return [self._kept(f"$alert/{_id(meter) or 'ouzel'}", text)]

    def log(self, text: str, level: str = "warn") -> list[Message]:
        """One line of what happened; version 4 has no place for it."""
        if self._version == 4:
            return []
        return [Message(f"{self._root}/$log/{level}", text.encode(), 0)]

    # -- below ------------------------------------------------------------------------------

    def _kept(self, topic: str, text: str) -> Message:
        return Message(f"{self._root}/{topic}", text.encode(), 1, retain=True)

    def _said_in(self, quantity: str) -> tuple[str, float, int]:
        """Unit, factor into it, decimals."""
        row = self._quantities[quantity]
        unit, factor, digits = _VOLTS.get(row.unit, (row.shown_unit, 1.0, 1))
        return unit, factor, row.digits + digits

    def _payload(self, quantity: str, value: float) -> str:
        """Digits, a minus and a point only: no exponent, so no plus sign in one."""
        _, factor, digits = self._said_in(quantity)
        text = f"{value * factor:.{digits}f}"
        return text.removeprefix("-") if not text.strip("-0.") else text

    def _property(self, quantity: str) -> dict[str, Any]:
        unit, factor, digits = self._said_in(quantity)
        row = self._quantities[quantity]
        low, high = (f"{end * factor:.{digits}f}" for end in (row.low, row.high))
        found: dict[str, Any] = {"name": row.label, "datatype": "float", "format": f"{low}:{high}"}
        if unit:
            found["unit"] = unit
        return found

    def _attributes(self) -> Iterator[tuple[str, str]]:
        """The topics of version 4 that say what the device is."""
        yield from (("$homie", "4.0.0"), ("$name", "ouzel"), ("$extensions", ""))
        yield "$nodes", ",".join(self._nodes.values())
        for meter, node in self._nodes.items():
            described = self.description(0)["nodes"][node]
            properties: Mapping[str, Mapping[str, str]] = described["properties"]
            yield f"{node}/$name", meter
            yield f"{node}/$type", described["type"]
            yield f"{node}/$properties", ",".join(properties)
            for name, said in properties.items():
                for key in ("name", "datatype", "format", "unit"):
                    if key in said:
                        yield f"{node}/{name}/${key}", said[key]
                yield f"{node}/{name}/$settable", "false"
                yield f"{node}/{name}/$retained", "true"


def _id(name: str) -> str:
    """An id of the convention: a-z, 0-9 and - only, not beginning or ending with -."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")


def _free(wanted: str, taken: Sequence[str] | Any) -> str:
    """Two meters may differ in nothing an id can hold."""
    name, number = wanted or "meter", 2
    while name in taken:
        name, number = f"{wanted}-{number}", number + 1
    return name
