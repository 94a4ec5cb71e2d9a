"""Empties the outbox into a connection: in order, at a limited rate, taking out only what arrived.

A broker that dies may take with it what it had just acknowledged: after a connection that was lost,
the last few seconds of it are said once more, the same to the byte.

A topic whose message the broker refused is held: nothing behind it overtakes it, nothing of it is
deleted, and it is tried again later. A message that is itself at fault stays where it is, with the
reason, and the rest of its topic goes on.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import TypeVar

from acquire.clock import Clock
from acquire.outlets.broker import Tell
from acquire.outlets.messages import Message, Messages
from acquire.readings import Event
from acquire.store.outbox import Delivered, Item, Outbox, Refused, Standing
from acquire.store.writer import StoreWriter

__all__ = ["Drain"]

_SLICE = 20
_FIRST_HOLD_S = 60.0
_LONGEST_HOLD_S = 3600.0
_UNSURE_S = 5.0
"""What was acknowledged so shortly before a connection was lost is said again."""
_MOST_AGAIN = 100
_OWN_FAULT = ("Topic Name invalid", "Packet too large", "Payload format invalid")
"""Reasons (MQTT 5 section 3.4.2.1 and appendix) that another try cannot change."""

T = TypeVar("T")
Publish = Callable[[Message], Awaitable[str]]


class Drain:
    """The outbox of one carrier. `wake` it when something may have come into the store."""

    def __init__(
        self,
        carrier: str,
        writer: StoreWriter,
        clock: Clock,
        *,
        messages: Messages,
        tell: Tell,
        per_s: float,
    ) -> None:
        self._carrier = carrier
        self._writer = writer
        self._clock = clock
        self._messages = messages
        self._tell = tell
        self._gap_s = 1.0 / per_s
        self._outbox: Outbox | None = None
        # One thread, because a connection belongs to its thread; not the loop's, because a slow
        # card must not hold up the readings.
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="ouzel outbox")
        self._wake = asyncio.Event()
        self._idle = asyncio.Event()
        self._holds: dict[str, tuple[float, float]] = {}  # topic to until when (s), for how long
        self._held: set[str] = set()
        self._known: set[str] = set()
        self._latest: deque[tuple[float, Message]] = deque(maxlen=_MOST_AGAIN)
        self._unsure: deque[Message] = deque(maxlen=_MOST_AGAIN)
        self.sent = 0
        self.refused = 0

    def wake(self) -> None:
        self._idle.clear()
        self._wake.set()

    async def is_done(self, within_s: float) -> None:
        """Wait until nothing more can go now, but no longer than that."""
        try:
            async with asyncio.timeout(within_s):
                await self._idle.wait()
        except TimeoutError:
            pass

    async def close(self) -> None:
        await self._in_thread(self._close)
        self._thread.shutdown(wait=False)

    async def standing(self) -> Standing:
        return await self._in_thread(lambda: self._open().standing(self._carrier))

    async def know(self, meter: str) -> None:
        """Look up what a meter compensates, which the names of its values say."""
        if not meter or meter in self._known:
            return
        found = await self._in_thread(lambda: self._open().channels(meter))
        if found:
            self._known.add(meter)
            self._messages.compensated |= {
                (meter, quantity): channel.reference_c for quantity, channel in found.items()
            }

    async def run(self, publish: Publish) -> None:
        """Send what waits, then what comes, until cancelled or the connection goes."""
        try:
            await self._say_again(publish)
            await self._run(publish)
        finally:
            since_s = self._clock.now().t_s - _UNSURE_S
            self._unsure += [said for at_s, said in self._latest if at_s >= since_s]
            self._latest.clear()

    async def _say_again(self, publish: Publish) -> None:
        """Say once more what a broker that died may have lost."""
        while self._unsure:
            # Refused or not: it was accepted once, and is no longer in the outbox.
            await publish(self._unsure[0])
            self._note(self._unsure.popleft())

    def _note(self, message: Message) -> None:
        self._latest.append((self._clock.now().t_s, message))

    async def _run(self, publish: Publish) -> None:
        # All that waits now waited while nobody listened: it is history, and says so.
        history = await self._in_thread(lambda: self._open().newest(self._carrier))
        self._holds.clear()
        self._held.clear()
        after = 0
        while True:
            self._wake.clear()
            items = await self._in_thread(partial(self._take, after))
            await self._send(items, history, publish)
            if items:
                after = items[-1].id
                continue
            self._idle.set()
            if await self._rest():
                # From the oldest on again. A topic is let go of only at this beginning, so that
                # nothing of it goes out before what was refused.
                after = 0
                now_s = self._clock.now().t_s
                self._held = {t for t, (until_s, _) in self._holds.items() if until_s > now_s}

    async def _send(self, items: Sequence[Item], history: int, publish: Publish) -> None:
        done: list[int] = []
        try:
            for item in items:
                if item.thing is None:
                    done.append(item.id)
                    continue
                if self._messages.topic_of(item.thing) in self._held:
                    continue
                late = item.id <= history
                await self.know(item.thing.meter)
                try:
                    message = self._messages.kept(item.thing, item.number, late=late)
                except ValueError as error:
                    await self._refuse(item, f"cannot be said: {error}")
                    continue
                reason = await publish(message)
                if not reason:
                    self._holds.pop(message.topic, None)
                    done.append(item.id)
                    self._note(message)
                    self.sent += 1
                    if late:
                        await self._clock.sleep(self._gap_s)
                    continue
                self.refused += 1
                await self._refuse(item, reason)
                if reason not in _OWN_FAULT:
                    await self._hold(message.topic, reason)
        finally:
            # Also when the connection went: what arrived need not go out again.
            if done:
                await self._writer.keep(Delivered(tuple(done)))

    async def _refuse(self, item: Item, reason: str) -> None:
        if item.refused != reason:  # the same again is not worth a write
            await self._writer.keep(Refused(item.id, reason))

    async def _hold(self, topic: str, reason: str) -> None:
        now = self._clock.now()
        _, before_s = self._holds.get(topic, (0.0, 0.0))
        for_s = min(_LONGEST_HOLD_S, before_s * 2.0) or _FIRST_HOLD_S
        self._holds[topic] = (now.t_s + for_s, for_s)
        self._held.add(topic)
        if not before_s:
            text = f"{self._carrier}: the broker refuses {topic}: {reason}; kept, tried again later"
            await self._tell(Event("outlet_refused", now, "", text))

    async def _rest(self) -> bool:
        """Wait for something new or the end of a hold; tell whether it was the end of a hold."""
        if not self._holds:
            await self._wake.wait()
            return False
        due_s = min(until_s for until_s, _ in self._holds.values()) - self._clock.now().t_s
        try:
            async with self._clock.timeout(max(0.0, due_s)):
                await self._wake.wait()
        except TimeoutError:
            return True
        return due_s <= 0

    # -- in the thread ----------------------------------------------------------------------

    async def _in_thread(self, ask: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._thread, ask)

    def _take(self, after: int) -> list[Item]:
        return self._open().take(self._carrier, after=after, limit=_SLICE)

    def _open(self) -> Outbox:
        if self._outbox is None:
            self._outbox = Outbox.open(self._writer.path)
        return self._outbox

    def _close(self) -> None:
        if self._outbox is not None:
            self._outbox.close()
            self._outbox = None
