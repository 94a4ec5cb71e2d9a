"""The MQTT outlet: live values as they come, what is kept from the outbox, states, last words.

Three tasks share a connection. One listens, so that a lost connection is noticed in milliseconds;
one publishes the newest values; one drains the outbox. None of them is ever waited for by the
readings: what the bus cannot hand over is dropped there; only newest values are remembered here.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from acquire.bench.standing import Said, Status
from acquire.bus import Subscription
from acquire.clock import Clock
from acquire.config import Config
from acquire.outlets.announce import Announcements
from acquire.outlets.broker import Broker, Tell
from acquire.outlets.drain import Drain
from acquire.outlets.messages import Message, Messages
from acquire.outlets.mqtt import Link
from acquire.outlets.orders import Act, Orders
from acquire.outlets.pace import Pace
from acquire.outlets.standing_word import standing_word
from acquire.outward import MqttConfig, machine_urn
from acquire.readings import Capture, Event, Reading
from acquire.store.outbox import Carrier
from acquire.store.writer import StoreWriter

__all__ = ["CARRIER", "MqttOutlet", "make_messages"]

CARRIER = "mqtt"
LAST_WORDS_S = 0.4
"""How long a clean stop waits for the outbox: less than the daemon waits for an outlet."""


class MqttOutlet:
    """Carries to one broker what a daemon says."""

    name = CARRIER
    only = (Reading, Status, Capture, Event)

    def __init__(self, settings: MqttConfig, config: Config, clock: Clock) -> None:
        self._settings = settings
        self._config = config
        self._clock = clock
        self._orders: Orders | None = None
        self._messages = make_messages(settings, config)
        self._announcements = Announcements(settings.announce.templates, settings, config)
        self._writer: StoreWriter | None = None
        self._tell: Tell = _unheard
        self._newest: dict[str, Reading] = {}
        self._states: dict[str, str] = {}
        self._dirty: set[str] = set()
        self._changed = asyncio.Event()
        self._drain: Drain | None = None
        self.drops: Callable[[], int] = lambda: 0
        """How much of what was said this outlet was too slow for."""
        self._told: set[str] = set()
        self.broker = Broker(self.name, settings, clock, self._messages.state("lost"))

    def join(self, writer: StoreWriter | None, tell: Tell) -> None:
        """Get the store to take acknowledged things out of, and where to tell what goes wrong."""
        self._writer = writer
        self._tell = tell

    def obey(self, act: Act) -> None:
        """Get what carries out the orders that the configuration allows; none without that."""
        if self._settings.commands:
            self._orders = Orders(self._settings.commands, act, self._clock, self._tell)

    @property
    def drain(self) -> Drain | None:
        return self._drain

    async def run(self, heard: Subscription[Said]) -> None:
        """Publish until the listener ends; then say what is left, `offline` last."""
        self.broker.ending.clear()
        self.drops = lambda: heard.dropped
        writer = self._writer
        if writer is not None:
            most, rollups = self._settings.outbox_rows, self._settings.rollups
            await writer.keep(Carrier(CARRIER, most, rollups=rollups))
            self._drain = Drain(
                CARRIER,
                writer,
                self._clock,
                messages=self._messages,
                tell=self._tell,
                per_s=self._settings.drain_per_s,
            )
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self.broker.stay(self._session, self._tell), name="broker")
                async for said in heard:
                    self._hear(said)
                self.broker.ending.set()
        finally:
            if self._drain is not None:
                await self._drain.close()

    def _hear(self, said: Said) -> None:
        match said:
            case Reading():
                self._newest[said.meter] = said
                self._states.setdefault(said.meter, "air")
            case Status():
                self._states[said.meter] = standing_word(said)
            case Event():
                if said.kind in {"meter_lost", "meter_over"}:
                    self._states[said.meter] = "away"
                    self._dirty.add(said.meter)
                self._wake()
                return
            case Capture():
                self._wake()
                return
            case _:
                return
        self._dirty.add(said.meter)
        self._changed.set()

    def _wake(self) -> None:
        self._changed.set()
        if self._drain is not None:
            self._drain.wake()

    # -- one connection ---------------------------------------------------------------------

    async def _session(self, link: Link) -> None:
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(self._listen(link), name="mqtt in")]
            await self._say(link, self._messages.state("online"))
            if self._drain is not None:
                drain = self._drain.run(link.publish)
                tasks.append(group.create_task(drain, name="mqtt outbox"))
            tasks.append(group.create_task(self._live(link), name="mqtt live"))
            await self.broker.ending.wait()
            if self._drain is not None:
                self._drain.wake()
                await self._drain.is_done(LAST_WORDS_S)
            for task in tasks:
                task.cancel()
            await self._goodbye(link)

    async def _goodbye(self, link: Link) -> None:
        """The will is for sudden death only: a clean end says so itself."""
        for meter, reading in self._newest.items():
            message = self._messages.live(reading, retained=True)
            if message is not None:
                await self._say(link, message)
            await self._say(link, self._messages.state("offline", meter))
        await self._say(link, self._messages.state("offline"))

    async def _say(self, link: Link, *messages: Message) -> None:
        """Publish something that is said again anyway; that it is refused is told once a topic."""
        for message, reason in zip(messages, await link.publish_all(messages), strict=True):
            if reason and message.topic not in self._told:
                self._told.add(message.topic)
                text = f"{self.name}: the broker refuses {message.topic}: {reason}"
                await self._tell(Event("outlet_refused", self._clock.now(), "", text))

    async def _listen(self, link: Link) -> None:
        for topic in (*self._announcements.asked_on, *self._order_topics()):
            reason = await link.subscribe(topic)
            if reason:
                text = f"{self.name}: the broker refuses the subscription to {topic}: {reason}"
                await self._tell(Event("outlet_refused", self._clock.now(), "", text))
        async for message in link.messages():
            if self._orders is not None and message.topic.startswith(self._order_root):
                if not message.is_retained:  # an order that was left lying is not an order
                    word = message.topic.removeprefix(self._order_root)
                    await link.answer(message, await self._orders.take(word, message.payload))
            else:
                for again in self._announcements.asked(
                    message.topic, message.payload, self._newest
                ):
                    await self._say(link, again)

    @property
    def _order_root(self) -> str:
        return f"{self._settings.topic}/command/"

    def _order_topics(self) -> list[str]:
        if self._orders is None:
            return []
        return [self._order_root + word for word in self._settings.commands]

    async def _live(self, link: Link) -> None:
        """Publish newest values and states; what changed in the meantime is left out."""
        paces: dict[str, tuple[Pace, Pace]] = {}
        states: dict[str, str] = {}
        self._dirty |= self._newest.keys() | self._states.keys()
        if self._dirty:  # what was said while there was no connection
            self._changed.set()
        while True:
            await self._changed.wait()
            self._changed.clear()
            dirty, self._dirty = self._dirty, set()
            for meter in sorted(dirty):
                state, reading = self._states.get(meter), self._newest.get(meter)
                if state is not None and states.get(meter) != state:
                    states[meter] = state
                    await self._say(link, self._messages.state(state, meter))
                if reading is None:
                    continue
                if meter not in paces:
                    if self._drain is not None:
                        await self._drain.know(meter)
                    await self._say(link, *self._announcements.of(reading))
                    paces[meter] = (self._pace(), self._pace(60.0))
                live, latest = paces[meter]
                if live.is_due(reading):
                    live.sent(reading)
                    await self._say(link, *self._values(reading))
                if latest.is_due(reading):
                    latest.sent(reading)
                    retained = self._messages.live(reading, retained=True)
                    if retained is not None:
                        await self._say(link, retained)

    def _values(self, reading: Reading) -> list[Message]:
        live = self._messages.live(reading)
        plain = self._messages.plain(reading) if self._settings.plain else []
        return plain if live is None else [live, *plain]

    def _pace(self, every_s: float | None = None) -> Pace:
        return Pace.of(self._settings, self._config, every_s)


def make_messages(settings: MqttConfig, config: Config) -> Messages:
    return Messages(
        settings.topic,
        settings.source or machine_urn(),
        form=settings.format,
        quantities=config.quantities,
        expiry_s=settings.expiry_s,
    )


async def _unheard(_event: Event) -> None:
    """Stands in until the daemon says where to tell."""
