"""Carries what happens from the meters to everything that listens.

Every queue is bounded and its policy is chosen by who subscribes:

* `Policy.WAIT`: the publisher waits. Only for the recorder and the bench, which must see all.
* `Policy.DROP_OLDEST`: the publisher never waits; what does not fit is lost and counted. For
  outlets, so that a slow page or broker costs no reading.

A closed subscription gives what it still holds and then ends. Whoever wants only some kinds of
items says which, and is not woken for the others.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from enum import Enum
from typing import Generic, TypeVar

__all__ = ["Bus", "Policy", "Subscription"]

T = TypeVar("T")


class Policy(Enum):
    WAIT = "wait"
    DROP_OLDEST = "drop_oldest"


class _End:
    """Stands in the queue after the last item."""


class Subscription(Generic[T]):
    """One listener's queue; iterate it. `dropped` counts what did not fit."""

    def __init__(
        self, name: str, size: int, policy: Policy, only: tuple[type, ...] = (object,)
    ) -> None:
        self.name = name
        self.policy = policy
        self.only = only
        self.dropped = 0
        self._queue: asyncio.Queue[T | _End] = asyncio.Queue(size)

    async def put(self, item: T) -> None:
        if not isinstance(item, self.only):
            return
        if self.policy is Policy.DROP_OLDEST:
            self._drop_in(item)
        else:
            await self._queue.put(item)

    async def close(self) -> None:
        """Let the listener take what is there, then end."""
        if self.policy is Policy.DROP_OLDEST:
            self._drop_in(_End())
        else:
            await self._queue.put(_End())

    def _drop_in(self, item: T | _End) -> None:
        if self._queue.full():
            self._queue.get_nowait()
            self.dropped += 1
        self._queue.put_nowait(item)

    async def __aiter__(self) -> AsyncIterator[T]:
        while not isinstance(item := await self._queue.get(), _End):
            yield item


class Bus(Generic[T]):
    """Hands every published item to every subscription, in the order they subscribed."""

    def __init__(self) -> None:
        self._subscriptions: list[Subscription[T]] = []

    def subscribe(
        self, name: str, *, size: int, policy: Policy, only: tuple[type, ...] = (object,)
    ) -> Subscription[T]:
        """Hear everything that is published from now on, or `only` things of these types."""
        subscription: Subscription[T] = Subscription(name, size, policy, only)
        self._subscriptions.append(subscription)
        return subscription

    async def publish(self, item: T) -> None:
        for subscription in self._subscriptions:
            await subscription.put(item)

    async def close(self) -> None:
        """End every subscription once its listener has taken what is there."""
        for subscription in self._subscriptions:
            await subscription.close()
