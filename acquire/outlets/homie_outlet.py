"""Carries newest values by the Homie convention; its will is its own, so is its connection."""

from __future__ import annotations

import asyncio

from acquire.bench.standing import Said, Status
from acquire.bus import Subscription
from acquire.clock import Clock
from acquire.config import Config
from acquire.outlets.broker import Broker, Tell
from acquire.outlets.homie import Homie
from acquire.outlets.messages import Message
from acquire.outlets.mqtt import Link
from acquire.outlets.pace import Pace
from acquire.outlets.standing_word import standing_word
from acquire.outward import HomieConfig, MqttConfig
from acquire.readings import Event, Reading
from acquire.store.writer import StoreWriter

__all__ = ["HomieOutlet"]


class HomieOutlet:
    """One device of the convention."""

    name = "homie"
    only = (Reading, Status, Event)

    def __init__(
        self, settings: MqttConfig, convention: HomieConfig, config: Config, clock: Clock
    ) -> None:
        self._settings = settings
        self._config = config
        self._clock = clock
        self._homie = Homie(convention, config.quantities)
        self._tell: Tell | None = None
        self._newest: dict[str, Reading] = {}
        self._states: dict[str, str] = {}
        self._alerts: dict[str, str] = {}
        self._refusals: set[str] = set()
        self._dirty: set[str] = set()
        self._changed = asyncio.Event()
        self.broker = Broker(self.name, settings, clock, self._homie.state("lost"), part="-homie")

    def join(self, _writer: StoreWriter | None, tell: Tell) -> None:
        """Get where to tell what goes wrong; the store is not needed here."""
        self._tell = tell

    async def run(self, heard: Subscription[Said]) -> None:
        """Publish until the listener ends; then say `disconnected`."""
        self.broker.ending.clear()
        async with asyncio.TaskGroup() as group:
            group.create_task(self.broker.stay(self._session, self._told), name="homie broker")
            async for said in heard:
                self._hear(said)
            self.broker.ending.set()

    async def _told(self, event: Event) -> None:
        if self._tell is not None:
            await self._tell(event)

    def _hear(self, said: Said) -> None:
        match said:
            case Reading():
                self._newest[said.meter] = said
                self._states.setdefault(said.meter, "air")
            case Status():
                self._states[said.meter] = standing_word(said)
            case Event(kind="meter_lost" | "meter_over"):
                self._states[said.meter] = "away"
                self._alerts[said.meter] = said.text
            case Event(kind="meter_back"):
                self._alerts[said.meter] = ""
            case _:
                return
        self._dirty.add(said.meter)
        self._changed.set()

    async def _session(self, link: Link) -> None:
        async with asyncio.TaskGroup() as group:
            listening = group.create_task(_listen(link), name="homie in")
            work = group.create_task(self._work(link), name="homie out")
            await self.broker.ending.wait()
            for task in (listening, work):
                task.cancel()
            await self._say(link, [self._homie.state("disconnected")])

    async def _work(self, link: Link) -> None:
        paces: dict[str, Pace] = {}
        states: dict[str, str] = {}
        alerts: dict[str, str] = {}
        sent = _Sent(self._settings.at_least_s)
        self._changed.set()
        self._dirty |= self._newest.keys() | self._states.keys() | self._alerts.keys()
        for reading in self._newest.values():
            self._homie.meet(reading)
        await self._introduce(link)
        while True:
            await self._changed.wait()
            self._changed.clear()
            dirty, self._dirty = sorted(self._dirty), set()
            newest = {meter: self._newest[meter] for meter in dirty if meter in self._newest}
            changes = [self._homie.meet(reading) for reading in newest.values()]
            if any(changes):
                await self._introduce(link)
            for meter in dirty:
                state, text = self._states.get(meter), self._alerts.get(meter, "")
                if state is not None and states.get(meter) != state:
                    states[meter] = state
                    await self._say(link, self._homie.meter_state(meter, state))
                if alerts.get(meter, "") != text:
                    alerts[meter] = text
                    await self._say(link, self._homie.alert(meter, text))
                    if text:
                        await self._say(link, self._homie.log(f"{meter}: {text}"))
            for meter, reading in newest.items():
                pace = paces.setdefault(meter, Pace.of(self._settings, self._config))
                if pace.is_due(reading):
                    pace.sent(reading)
                    await self._say(link, sent.news(self._homie.values(reading), reading))

    async def _introduce(self, link: Link) -> None:
        """In this order only: a description may not change while the device is ready."""
        said = [self._homie.state("init")]
        said += self._homie.introduction(self._clock.now().at_ms // 1000)
        for meter, reading in self._newest.items():
            said += self._homie.values(reading)
            said += self._homie.meter_state(meter, self._states.get(meter, "air"))
        await self._say(link, [*said, self._homie.state("ready")])

    async def _say(self, link: Link, messages: list[Message]) -> None:
        for message, reason in zip(messages, await link.publish_all(messages), strict=True):
            if reason:
                await self._refused(message.topic, reason)

    async def _refused(self, topic: str, reason: str) -> None:
        if topic not in self._refusals:
            self._refusals.add(topic)
            text = f"{self.name}: the broker refuses {topic}: {reason}"
            await self._told(Event("outlet_refused", self._clock.now(), "", text))


class _Sent:
    """What a broker holds by now: it need not be told again what has not changed."""

    def __init__(self, at_least_s: float) -> None:
        self._at_least_s = at_least_s
        self._held: dict[str, tuple[bytes, float]] = {}

    def news(self, messages: list[Message], reading: Reading) -> list[Message]:
        """Give those that say something else than before, or have not been said for long."""
        now_s, news = reading.stamp.t_s, []
        for message in messages:
            payload, at_s = self._held.get(message.topic, (None, now_s))
            if payload != message.payload or not 0 <= now_s - at_s < self._at_least_s:
                self._held[message.topic] = message.payload, now_s
                news.append(message)
        return news


async def _listen(link: Link) -> None:
    """Nothing is asked for; a lost connection is noticed here at once."""
    async for _ in link.messages():
        pass
