"""Stays connected to a broker: tries, waits longer each time, tells what changes, once."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

from acquire.clock import Clock
from acquire.meter import Backoff
from acquire.outlets.messages import Message
from acquire.outlets.mqtt import Link, LinkLost, NoSuchVersion, open_link
from acquire.outward import MqttConfig, machine_urn
from acquire.readings import Event

__all__ = ["Broker", "Tell", "client_id"]

Tell = Callable[[Event], Awaitable[None]]
STEADY_S = 10.0
"""A connection that lasted this long was good: the next try comes soon again."""


class Broker:
    """Runs `session` on one connection after another until `ending` is set."""

    def __init__(
        self, name: str, settings: MqttConfig, clock: Clock, will: Message, *, part: str = ""
    ) -> None:
        """Prepare; `part` sets this connection's client id apart from others of this program."""
        self.name = name
        self.ending = asyncio.Event()
        self.link: Link | None = None
        """The connection there is now."""
        self.reconnects = 0
        self._settings = settings
        self._clock = clock
        self._will = will
        self._id = client_id(settings) + part
        self._is_5 = settings.version != "3.1.1"
        self._hung_up = 0
        self._problem = ""

    @property
    def is_connected(self) -> bool:
        return self.link is not None

    async def stay(self, session: Callable[[Link], Awaitable[None]], tell: Tell) -> None:
        """Connect and work, again and again; returns once `session` does after `ending`."""
        # The cut of each wait keeps many clients from coming back to a broker in step.
        waits = Backoff(min(0.5, self._settings.reconnect_most_s), self._settings.reconnect_most_s)
        failures = 0
        while not self.ending.is_set():
            began_s = self._clock.now().t_s
            try:
                async with open_link(self._settings, self._id, self._will, is_5=self._is_5) as link:
                    self.link = link
                    await self._came(tell)
                    await _outcome(session(link))
            except NoSuchVersion as error:
                self._other_version()
                await self._went(str(error), tell)
            except LinkLost as error:
                await self._went(str(error), tell)
            finally:
                self.link = None
            failures = 1 if self._clock.now().t_s - began_s >= STEADY_S else failures + 1
            await self._pause(waits.wait_s(failures))

    async def _pause(self, seconds: float) -> None:
        """Wait, but no longer than until the end."""
        if self.ending.is_set():
            return
        waiting = {
            asyncio.ensure_future(self._clock.sleep(seconds)),
            asyncio.ensure_future(self.ending.wait()),
        }
        try:
            await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in waiting:
                task.cancel()

    def _other_version(self) -> None:
        """Take turns between the versions, but not for one connection lost at a bad moment."""
        self._hung_up += 1
        if self._settings.version == "auto" and self._hung_up >= 2:
            self._hung_up = 0
            self._is_5 = not self._is_5

    async def _came(self, tell: Tell) -> None:
        self._hung_up = 0
        if self._problem:
            self._problem = ""
            self.reconnects += 1
            await self._tell("outlet_back", "connected again", tell)

    async def _went(self, problem: str, tell: Tell) -> None:
        if self._problem:  # told already; reasons that take turns for a week are no news
            return
        self._problem = problem
        await self._tell("outlet_lost", problem, tell)

    async def _tell(self, kind: str, text: str, tell: Tell) -> None:
        where = f"{self._settings.host}:{self._settings.port_used}"
        await tell(Event(kind, self._clock.now(), "", f"{self.name}: {where}: {text}"))


async def _outcome(session: Awaitable[None]) -> None:
    """Let a session work; of several tasks that fail together a lost link is the cause."""
    try:
        await session
    except BaseExceptionGroup as group:
        lost, rest = group.split(LinkLost)
        if rest is not None:
            raise
        while isinstance(lost, BaseExceptionGroup):
            lost = lost.exceptions[0]  # type: ignore[assignment]
        if lost is not None:
            raise lost from group


def client_id(settings: MqttConfig) -> str:
    """Give a client id that stays: the broker tells our reconnection from a stranger by it."""
    if settings.client_id is not None:
        return settings.client_id
    name = machine_urn().removeprefix("urn:uuid:").split("-")
    return f"ouzel-{name[0]}-{settings.topic.replace('/', '-')}"[:60]
