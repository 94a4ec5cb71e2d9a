"""What happens, told to every browser that listens (server-sent events, WHATWG HTML section 9.2).

Captures and events are read back from the store, by their numbers: what is told is durable, in
order, and a listener that was away is told what it missed. What the bus says of them only wakes the
hub. Live numbers go out a few times a second, the newest of each meter; encoded once for all.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Awaitable, Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from starlette.datastructures import Headers, QueryParams

from acquire.bench.standing import Said, Status
from acquire.clock import Clock
from acquire.errors import StoreError
from acquire.outlets.as_json import as_json
from acquire.page.answers import Refused
from acquire.page.guard import WELCOME
from acquire.page.listener import ALWAYS, Stream, frame
from acquire.page.reader import Reader
from acquire.page.server import ABORT
from acquire.page.shapes import reading_json, status_json
from acquire.page.standing import MeterStanding, Standing
from acquire.readings import Capture, Event, Reading, utc_text
from acquire.rounds import Guidance
from acquire.store.news import News

if TYPE_CHECKING:
    from starlette.types import Receive, Scope, Send

__all__ = ["Hub"]

_log = logging.getLogger(__name__)

ALIVE_S = 5.0
LIVE_S = 0.2
"""Live numbers of one meter go out at most this often."""
SLICE = 200
_NAMES = {*ALWAYS, "reading", "status", "capture", "event", "guidance", "learning"}


class Hub:
    """Tells all streams. `hear` from the bus, `work` as a task, `serve` for each listener."""

    def __init__(
        self,
        reader: Reader,
        standing: Standing,
        clock: Clock,
        snapshot: Callable[[int], Awaitable[dict[str, Any]]],
        *,
        most: int,
        alive_s: float = ALIVE_S,
    ) -> None:
        self._reader = reader
        self._standing = standing
        self._clock = clock
        self._snapshot = snapshot
        self._most = most
        self._alive_s = alive_s
        self._streams: set[Stream] = set()
        self._opened = 0
        self._news = asyncio.Event()
        self._live = asyncio.Event()
        self._dirty: dict[tuple[str, str], MeterStanding] = {}
        self._is_over = False
        self.number = 0
        """Of the last thing told."""

    @property
    def streams(self) -> int:
        return self._opened

    def hear(self, said: Said) -> None:
        """Take what the bus says; the standing has heard it already."""
        match said:
            case Event(kind="store_stalled"):  # the one that cannot be kept
                self.tell("event", as_json(said))
            case Capture() | Event():
                self._news.set()
            case Reading() | Status() if self._streams:
                meter = self._standing.meters.get(said.meter)
                if meter is not None:
                    kind = "reading" if isinstance(said, Reading) else "status"
                    self._dirty[kind, said.meter] = meter
                    self._live.set()
            case Guidance():
                self.tell("guidance", as_json(said))

    def tell(self, event: str, data: Any, number: int | None = None) -> None:
        """Tell all listeners at once."""
        if self._streams:
            said = frame(event, data, number)
            for stream in tuple(self._streams):
                stream.put(event, said, number)

    async def begin(self) -> None:
        """Find where the store is; what is kept from now on will be told."""
        self.number = await self._reader.ask(lambda records: records.last_news())

    async def work(self) -> None:
        """Tell what comes until cancelled."""
        async with asyncio.TaskGroup() as group:
            group.create_task(self._tell_news(), name="page news")
            group.create_task(self._tell_live(), name="page live")
            group.create_task(self._stay_alive(), name="page alive")

    async def _tell_news(self) -> None:
        while True:
            await self._news.wait()
            self._news.clear()
            try:
                await self._catch_up()
            except StoreError as error:
                _log.warning("the page cannot read the store: %s", error)
                await asyncio.sleep(1.0)
                self._news.set()

    async def _catch_up(self) -> None:
        while found := await self._after(self.number):
            for news in found:
                self.number = news.number
                self.tell(*_of(news))
            if len(found) < SLICE:
                return

    async def _after(self, number: int, upto: int | None = None) -> list[News]:
        return await self._reader.ask(lambda r: r.news(number, upto=upto, most=SLICE))

    async def _tell_live(self) -> None:
        told_s = -LIVE_S
        while True:
            await self._live.wait()
            early_s = told_s + LIVE_S - time.monotonic()
            if early_s > 0:
                await asyncio.sleep(early_s)
            told_s = time.monotonic()
            self._live.clear()
            dirty, self._dirty = self._dirty, {}
            for (kind, _), meter in dirty.items():
                self._tell_one(kind, meter)

    def _tell_one(self, kind: str, meter: MeterStanding) -> None:
        if kind == "reading" and meter.reading is not None:
            self.tell("reading", reading_json(meter.reading))
        elif kind == "status" and meter.status is not None:
            self.tell("status", status_json(meter.status, self._standing.config))

    async def _stay_alive(self) -> None:
        while True:
            await asyncio.sleep(self._alive_s)
            said = {"at": utc_text(self._clock.now().at_ms), "cursor": str(self.number)}
            self.tell("alive", said, self.number)
            for stream in tuple(self._streams):
                if not stream.is_welcome():  # dismissed meanwhile
                    stream.end()
            self._news.set()  # should the bus ever have dropped what it had to say

    def close(self, why: str) -> None:
        """Say goodbye to everybody; their streams end."""
        self._is_over = True
        self.tell("bye", {"why": why})
        for stream in tuple(self._streams):
            stream.end()

    # -- one listener -----------------------------------------------------------------------

    async def serve(self, scope: Scope, receive: Receive, send: Send) -> None:
        """ASGI: one listener, until it goes, is too slow, or all ends."""
        after, only = _asked(scope)
        if self._is_over or self._opened >= self._most:
            raise Refused(503, "too many streams: close a page, or allow more in [page] streams")
        if after is not None and after > self.number:
            after = None  # of another store, or of this one before a backup was put back
        stream = Stream(only, scope.get(ABORT, lambda: None), scope.get(WELCOME, lambda: True))
        self._opened += 1
        gone = asyncio.create_task(_wait_for_leave(receive, stream))
        try:
            await send(_START)
            await self._begin_stream(stream, send, after)
            while True:
                await stream.wake.wait()
                is_last = stream.is_ended
                if data := stream.take():
                    await _send_piece(send, data)
                if is_last:
                    break
            await send({"type": "http.response.body", "body": b"", "more_body": False})
        finally:
            self._opened -= 1
            self._streams.discard(stream)
            gone.cancel()
            with suppress(asyncio.CancelledError):
                await gone

    async def _begin_stream(self, stream: Stream, send: Send, after: int | None) -> None:
        """Say how all stands, then what was missed; from then on the stream is one of all."""
        number = self.number if after is None else after
        await _send_piece(send, frame("hello", await self._snapshot(number), number))
        while not stream.is_ended and number < self.number:
            found = await self._after(number)
            if not found:
                break
            number = found[-1].number
            await _send_piece(send, b"".join(frame(*_of(news)) for news in found))
        # No other task runs between the last look at the hub's number and the next line, and the
        # stream leaves out what it has: nothing is missed, nothing told twice.
        stream.number = number
        self._streams.add(stream)
        if self._is_over:
            stream.end()
        for meter in self._standing.meters.values():
            if meter.status is not None:
                said = status_json(meter.status, self._standing.config)
                stream.put("status", frame("status", said))
            if meter.guidance is not None:
                stream.put("guidance", frame("guidance", as_json(meter.guidance)))


def _of(news: News) -> tuple[str, dict[str, Any], int]:
    name = "capture" if isinstance(news.item, Capture) else "event"
    return name, as_json(news.item), news.number


def _asked(scope: Scope) -> tuple[int | None, list[str]]:
    """Give the number a listener heard last, from the header or the query, and what it wants."""
    query = QueryParams(scope["query_string"])
    said = query.get("after") or Headers(scope=scope).get("last-event-id") or ""
    only = [name for name in query.get("only", "").split(",") if name]
    if unknown := sorted(set(only) - _NAMES):
        raise Refused(
            400, f"only: no such event; there are {', '.join(sorted(_NAMES))}", unknown=unknown[:5]
        )
    return (int(said) if said.isdecimal() and len(said) <= 18 else None), only


async def _send_piece(send: Send, data: bytes) -> None:
    await send({"type": "http.response.body", "body": data, "more_body": True})


async def _wait_for_leave(receive: Receive, stream: Stream) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
    stream.end()


_START = {
    "type": "http.response.start",
    "status": 200,
    "headers": [(b"content-type", b"text/event-stream; charset=utf-8")],
}
