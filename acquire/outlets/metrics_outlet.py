"""Counts what is said and shows it, as OpenMetrics text, to whoever asks on this machine."""

from __future__ import annotations

import asyncio
import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress

from acquire.bench.standing import Said
from acquire.bus import Subscription
from acquire.clock import Clock
from acquire.config import Config
from acquire.outlets.metrics import CONTENT_TYPE, Family, render, water_families
from acquire.outlets.publisher import MqttOutlet
from acquire.readings import Capture, Event, Reading
from acquire.store.writer import StoreWriter

__all__ = ["MetricsOutlet"]

_REQUEST_BYTES = 8192
_ASK_S = 5.0
_Labels = tuple[tuple[str, str], ...]


class MetricsOutlet:
    """Listens on the loopback address only; one short answer a connection."""

    name = "metrics"
    only = (Reading, Capture, Event)

    def __init__(
        self, port: int, config: Config, clock: Clock, mqtt: MqttOutlet | None = None
    ) -> None:
        self._port = port
        self._config = config
        self._clock = clock
        self._mqtt = mqtt
        self._writer: StoreWriter | None = None
        self._queue_drops: Callable[[], int] = lambda: 0
        self._counts: dict[str, Counter[_Labels]] = {
            name: Counter() for name in ("readings", "captures", "bad_frames", "meter_losses")
        }
        self._newest: dict[tuple[str, str], float] = {}
        self._read_at: dict[_Labels, float] = {}
        self.port = port
        """The port in use, once it listens: another one when 0 was asked for."""

    def join(self, writer: StoreWriter | None, _tell: object) -> None:
        """Get the store's counters."""
        self._writer = writer

    async def run(self, heard: Subscription[Said]) -> None:
        self._queue_drops = lambda: heard.dropped
        server = await asyncio.start_server(self._serve, "127.0.0.1", self._port)
        self.port = server.sockets[0].getsockname()[1]
        async with server:
            async for said in heard:
                self.hear(said)

    def hear(self, said: Said) -> None:
        """Count one thing."""
        match said:
            case Reading():
                labels = (("meter", said.meter),)
                self._counts["readings"][labels] += 1
                self._read_at[labels] = said.stamp.at_ms / 1000
                for quantity, value in said.values.items():
                    if math.isfinite(value):
                        self._newest[said.meter, quantity] = value
                for quantity in said.flags:
                    self._newest.pop((said.meter, quantity), None)
            case Capture():
                state = ("state", str(said.state))
                self._counts["captures"][("meter", said.meter), state] += 1
            case Event(kind="bad_frames"):
                self._counts["bad_frames"][("meter", said.meter),] += int(
                    float(said.data.get("count", 1))
                )
            case Event(kind="meter_lost"):
                self._counts["meter_losses"][("meter", said.meter),] += 1

    async def text(self) -> str:
        """All of it, as it stands now."""
        units = {n: (q.senml_unit, q.senml_factor) for n, q in self._config.quantities.items()}
        return render(
            [
                _counter("readings", "Readings taken.", self._counts["readings"]),
                _counter("captures", "Captures kept, by state.", self._counts["captures"]),
                _counter("bad_frames", "Frames skipped.", self._counts["bad_frames"]),
                _counter("meter_losses", "Links lost.", self._counts["meter_losses"]),
                Family(
                    "ouzel_reading_timestamp_seconds",
                    "gauge",
                    "When a meter spoke last, Unix time.",
                    self._read_at,
                    "seconds",
                ),
                *water_families(self._newest, units),
                *self._store(),
                *await self._broker(),
                _counter("queue_drops", "Things an outlet was too slow for.", self._drops()),
            ]
        )

    def _drops(self) -> Mapping[_Labels, int]:
        own: dict[_Labels, int] = {(("outlet", self.name),): self._queue_drops()}
        return own if self._mqtt is None else {**own, (("outlet", "mqtt"),): self._mqtt.drops()}

    def _store(self) -> list[Family]:
        if self._writer is None:
            return []
        stats = self._writer.stats
        return [
            _counter("store_commits", "Transactions written.", {(): stats.commits}),
            _counter("store_failures", "Transactions that failed.", {(): stats.failures}),
            Family(
                "ouzel_store_wal_bytes",
                "counter",
                "Bytes written to the log.",
                {(): stats.wal_bytes},
                "bytes",
            ),
        ]

    async def _broker(self) -> Sequence[Family]:
        if self._mqtt is None or self._mqtt.drain is None:
            return []
        standing = await self._mqtt.drain.standing()
        outbox: dict[_Labels, float] = {
            (("part", "waiting"),): standing.waiting,
            (("part", "refused"),): standing.refused,
        }
        age: dict[_Labels, float] = {}
        if standing.oldest_ms is not None:
            age[()] = max(0.0, (self._clock.now().at_ms - standing.oldest_ms) / 1000)
        return [
            Family("ouzel_outbox", "gauge", "Things that wait for the broker.", outbox),
            Family("ouzel_outbox_age_seconds", "gauge", "Age of the oldest.", age, "seconds"),
            _counter("outbox_drops", "Dropped for want of room.", {(): standing.dropped}),
            _counter(
                "broker_reconnects", "Connections regained.", {(): self._mqtt.broker.reconnects}
            ),
            Family(
                "ouzel_broker_connected",
                "gauge",
                "1 while the broker is there.",
                {(): int(self._mqtt.broker.is_connected)},
            ),
        ]

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            with suppress(TimeoutError, OSError, asyncio.IncompleteReadError, ValueError):
                async with asyncio.timeout(_ASK_S):
                    head = await reader.readuntil(b"\r\n\r\n")
                    writer.write(await self._answer(head[:_REQUEST_BYTES]))
                    await writer.drain()
        finally:
            writer.close()

    async def _answer(self, head: bytes) -> bytes:
        method, _, rest = head.partition(b" ")
        target = rest.split(b" ")[0]
        if method not in (b"GET", b"HEAD") or target != b"/metrics":
            return b"HTTP/1.1 404 Not Found\r\nContent-Length: 0\r\nConnection: close\r\n\r\n"
        body = (await self.text()).encode()
        said = (
            f"HTTP/1.1 200 OK\r\nContent-Type: {CONTENT_TYPE}\r\n"
            f"Content-Length: {len(body)}\r\nConnection: close\r\n\r\n"
        )
        return said.encode() + (body if method == b"GET" else b"")


def _counter(name: str, text: str, samples: Mapping[_Labels, float]) -> Family:
    return Family(f"ouzel_{name}", "counter", text, samples)
