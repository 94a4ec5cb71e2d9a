"""What is said, as messages of a broker: topics, payloads, how each is to be carried. Pure.

Live values expire and are retained under `latest` only, where their time stands in them. What comes
from the outbox is history: it carries its own time, an id that is the same however often it comes,
and is never retained, so that it cannot pass for live.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from acquire.checks import Check
from acquire.outlets import senml
from acquire.outlets.senml import Record
from acquire.quantities import BUILT_IN, Quantity
from acquire.readings import Capture, Event, Reading, SettledValue
from acquire.store.outbox import RolledUp

__all__ = ["Message", "Messages", "message_id"]

Names = dict[tuple[str, str], float | None]
"""Meter and quantity to the temperature in °C that the meter compensates to, if it does."""


@dataclass(frozen=True, slots=True)
class Message:
    """One publication."""

    topic: str
    payload: bytes
    qos: int = 0
    retain: bool = False
    expiry_s: int | None = None
    """Seconds after which nobody should get it any more; None for ever."""
    content_type: str = "text/plain"
    properties: tuple[tuple[str, str], ...] = ()
    """User properties of MQTT 5."""


class Messages:
    """Writes messages below one topic, named after one source."""

    def __init__(
        self,
        topic: str = "ouzel",
        source: str = "ouzel",
        *,
        form: str = senml.JSON,
        quantities: Mapping[str, Quantity] = BUILT_IN,
        expiry_s: int = 180,
    ) -> None:
        self._topic = topic
        self._source = source
        self._form = form
        self._quantities = quantities
        self._expiry_s = expiry_s
        self.compensated: Names = {}
        """A value the meter has compensated is not the bare quantity: its name says so."""

    def state(self, word: str, meter: str = "") -> Message:
        """How the program, or one meter, stands; retained."""
        return Message(self._below(meter, "state"), word.encode(), 1, retain=True)

    def live(self, reading: Reading, *, retained: bool = False) -> Message | None:
        """Newest values; None when there is no number among them."""
        records = [
            record
            for quantity, value in reading.values.items()
            if quantity in self._quantities
            and (record := self._measured(reading.meter, quantity, value)) is not None
        ]
        if not records:
            return None
        flags = (Record(f"{senml.fit(q)}/flag", str(f)) for q, f in reading.flags.items())
        payload = self._packed(reading.meter, reading.stamp.at_ms, [*records, *flags])
        if retained:
            return Message(
                self._below(reading.meter, "latest"),
                payload,
                1,
                retain=True,
                content_type=self._type,
            )
        return Message(
            self._below(reading.meter, "live"),
            payload,
            expiry_s=self._expiry_s,
            content_type=self._type,
        )

    def plain(self, reading: Reading) -> list[Message]:
        """One bare number a quantity, in the quantity's own unit, as a screen shows it."""
        return [
            Message(
                self._below(reading.meter, senml.fit(quantity)),
                f"{value:.6g}".encode() if abs(value) < 1e6 else f"{value:.0f}".encode(),
                expiry_s=self._expiry_s,
            )
            for quantity, value in reading.values.items()
            if quantity in self._quantities and quantity not in reading.flags
        ]

    def kept(
        self, thing: Capture | Check | Event | RolledUp, number: int, *, late: bool = False
    ) -> Message:
        """Something from the store. `late`: it waited while there was no connection.

        Raises:
            ValueError: its time or its unit cannot be said in SenML.

        """
        match thing:
            case Capture():
                at_ms, records = thing.taken.at_ms, self._capture(thing, number)
            case Check():
                at_ms, records = thing.at_ms, self._check(thing)
            case Event():
                at_ms, records = thing.stamp.at_ms, _event(thing)
            case RolledUp():  # pragma: no branch  (the last there is)
                at_ms, records = thing.start_ms, self._rolled_up(thing)
        properties = (("id", message_id(thing, number)), *((("late", "true"),) if late else ()))
        payload = self._packed(thing.meter, at_ms, list(records))
        return Message(
            self.topic_of(thing), payload, 1, content_type=self._type, properties=properties
        )

    def topic_of(self, thing: Capture | Check | Event | RolledUp) -> str:
        """Give where something from the store goes."""
        match thing:
            case Capture():
                word = "capture"
            case Check():
                word = "check"
            case Event():
                word = "watch" if thing.kind.startswith(("watch", "alert")) else "event"
            case RolledUp():  # pragma: no branch  (the last there is)
                word = "rollup"
        return self._below(thing.meter, word)

    # -- below ------------------------------------------------------------------------------

    @property
    def _type(self) -> str:
        return senml.MEDIA_TYPES[self._form]

    def _below(self, meter: str, word: str) -> str:
        return "/".join(part for part in (self._topic, senml.fit(meter), word) if part)

    def _packed(self, meter: str, at_ms: int, records: list[Record]) -> bytes:
        base = f"{self._source}:{senml.fit(meter)}:" if meter else f"{self._source}:"
        return senml.encode(senml.pack(base, at_ms, records), self._form)

    def _measured(self, meter: str, quantity: str, value: float) -> Record | None:
        return senml.measured(self._quantities[quantity], value, self._name(meter, quantity))

    def _name(self, meter: str, quantity: str) -> str:
        reference_c = self.compensated.get((meter, quantity))
        return senml.fit(quantity) + ("" if reference_c is None else f"_{reference_c:g}")

    def _capture(self, capture: Capture, number: int) -> Iterator[Record]:
        yield Record("id", capture.id)
        yield Record("state", str(capture.state))
        yield Record("state/number", float(number))
        yield from _texts(water=capture.water, role=capture.role or "", reason=capture.reason)
        for value in capture.values.values():
            yield from self._settled(capture.meter, value, "")
        for value in capture.derived.values():
            yield from self._settled(capture.meter, value, "derived/")

    def _settled(self, meter: str, value: SettledValue, prefix: str) -> Iterator[Record]:
        quantity = self._quantities.get(value.quantity)
        if quantity is None:
            return
        name = self._name(meter, value.quantity)
        if prefix:
            at_25 = "_25" if "at 25 °C" in value.method else ""
            name = prefix + senml.fit(value.quantity) + at_25
        # Of a difference, so the factor holds and no offset comes in.
        yield from _numbers(quantity, {name: value.value, f"{name}/u": value.expanded_u})
        yield Record(f"{name}/phase", value.phase)
        yield from _texts(**{f"{name}/method": value.method, f"{name}/reason": value.reason})

    def _check(self, check: Check) -> Iterator[Record]:
        yield Record("id", check.capture_id)
        yield Record("solution", check.solution)
        yield Record("verdict", check.verdict)
        yield from _texts(reason=check.reason)
        yield Record("at", check.temp_c, "Cel")
        quantity, name = self._quantities.get(check.quantity), senml.fit(check.quantity)
        if quantity is None:
            return
        yield from _numbers(
            quantity,
            {
                name: check.said,
                f"{name}/u": check.said_u,
                f"{name}/expected": check.expected,
                f"{name}/expected/u": check.expected_u,
            },
        )

    def _rolled_up(self, rolled: RolledUp) -> Iterator[Record]:
        quantity = self._quantities.get(rolled.quantity)
        if quantity is None or quantity.unit != rolled.unit:
            raise ValueError(f"{rolled.quantity} was kept in {rolled.unit}, not its present unit")
        name = self._name(rolled.meter, rolled.quantity)
        yield Record("id", message_id(rolled, 0))
        yield Record("level", rolled.level)
        means = {name: rolled.mean, f"{name}/low": rolled.low, f"{name}/high": rolled.high}
        yield from _numbers(quantity, means)
        yield Record(f"{name}/n", float(rolled.n))


def _numbers(quantity: Quantity, named: Mapping[str, float]) -> Iterator[Record]:
    """Those that are numbers."""
    found = (senml.measured(quantity, number, name) for name, number in named.items())
    yield from (record for record in found if record is not None)


def message_id(thing: Capture | Check | Event | RolledUp, number: int) -> str:
    """Give what tells a message from every other, and a duplicate by."""
    match thing:
        case Capture():
            return f"{thing.id}.{number}"
        case Check():
            return f"{thing.capture_id}.check.{thing.quantity}"
        case Event():
            return f"{thing.stamp.at_ms}.{thing.stamp.mono_ns}.{thing.kind}"
        case RolledUp():  # pragma: no branch  (the last there is)
            return f"{thing.level}.{thing.start_ms}.{thing.meter}.{thing.quantity}"


def _event(event: Event) -> Iterator[Record]:
    yield Record("kind", event.kind)
    yield from _texts(text=event.text)
    for key, value in event.data.items():
        name = f"data/{senml.fit(key)}"
        if isinstance(value, str):
            yield from _texts(**{name: value})
        elif value == value and abs(value) != float("inf"):  # noqa: PLR0124 - not a number
            yield Record(name, value)


def _texts(**said: str) -> Iterator[Record]:
    yield from (Record(name, str(text)) for name, text in said.items() if text)
