"""The real server on a free port, behind a real daemon with a real store; only the meter is played."""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from dataclasses import replace

import httpx
import pytest

from acquire import config, daemon, registry
from acquire.clock import SystemClock
from acquire.daemon import Daemon
from acquire.outward import PageConfig
from acquire.page.outlet import PageOutlet
from tests.page.describing import hold
from tests.pretend_meter import PretendMeter, PretendSettings

SPEED = 200.0


class Dips(PretendMeter):
    """A meter that is dipped into a water again and again: 20 s in air, 160 s in water."""

    def conductivity(self, n):
        return 0.0 if n % 180 < 20 else 480.0 + n % 2

    def raw(self, value):
        return f"EC {value:.0f} <img src=x>"


class House:
    """A daemon with its page; `client` asks it."""

    def __init__(self, folder, loaded, meters, settings, **more):
        self.store = folder / "water.db"
        self.clock = SystemClock(more.pop("speed", SPEED))
        self.outlet = PageOutlet(settings, loaded, self.clock, store=self.store, **more)
        self.daemon = Daemon(loaded, meters, self.clock, store=self.store, outlets=[self.outlet])
        self.task = None
        self.client = None
        self.document = None

    async def start(self):
        self.task = asyncio.create_task(self.daemon.run())
        await until(lambda: self.outlet.page is not None or self.task.done())
        if self.task.done():
            self.task.result()
        self.client = httpx.AsyncClient(
            base_url=self.outlet.url, timeout=20, trust_env=False, verify=False
        )

    async def stop(self) -> float:
        begun = time.monotonic()
        self.daemon.stop()
        await self.task
        took = time.monotonic() - begun
        if self.client is not None:
            await self.client.aclose()
        return took

    async def get(self, path, status=200, **query):
        answer = await self.client.get(path, params=query)
        assert answer.status_code == status, answer.text
        await self._hold("get", path, None, answer)
        return answer.json()

    async def post(self, path, status=200, **said):
        answer = await self.client.post(path, json=said)
        assert answer.status_code == status, answer.text
        await self._hold("post", path, said, answer)
        return answer.json()

    async def _hold(self, method, path, asked, answer):
        """Every answer that a test looks at is as the OpenAPI document says."""
        if self.document is None:
            self.document = (await self.client.get("/api/1/openapi.json")).json()
        hold(self.document, method, path, asked, answer)

    @contextlib.asynccontextmanager
    async def listen(self, **query):
        """Give an iterator of (event, data, id)."""
        headers = {"last-event-id": query.pop("last")} if "last" in query else {}
        client = httpx.AsyncClient(base_url=self.outlet.url, timeout=20, trust_env=False)
        async with (
            client,
            client.stream("GET", "/api/1/stream", params=query, headers=headers) as got,
        ):
            assert got.status_code == 200
            assert got.headers["content-type"].startswith("text/event-stream")
            yield parsed(got.aiter_lines())


async def parsed(lines):
    """Server-sent events as the WHATWG standard has them parsed, as far as these go."""
    said = {}
    async for line in lines:
        if line:
            name, _, value = line.partition(": ")
            said[name] = value
        elif said:
            yield said["event"], json.loads(said["data"]), said.get("id")
            said = {}


async def until(condition, seconds=20):
    async with asyncio.timeout(seconds):
        while not condition():  # noqa: ASYNC110
            await asyncio.sleep(0.01)


@pytest.fixture
async def build(monkeypatch, tmp_path):
    """Make houses; each is stopped at the end."""
    monkeypatch.setitem(registry.BUILT_IN_DRIVERS, "dips", f"{__name__}:Dips")
    real = daemon.driver_class
    monkeypatch.setattr(daemon, "driver_class", lambda name: Dips if name == "dips" else real(name))
    built = []

    async def make(text="", meters=("kitchen",), **more):
        file = tmp_path / "ouzel.toml"
        file.write_text(text, encoding="utf-8")
        loaded = config.load(file)
        played = {
            name: config.MeterConfig(name, "dips", PretendSettings(wait_s=more.pop("wait_s", 1.0)))
            for name in meters
        }
        loaded = replace(loaded, meters={**loaded.meters, **played})
        settings = PageConfig(port=0, **more.pop("page", {}))
        house = House(tmp_path, loaded, list(loaded.meters.values()), settings, **more)
        built.append(house)
        await house.start()
        return house

    yield make
    for house in built:
        if house.task is not None and not house.task.done():
            await house.stop()


@pytest.fixture
async def house(build):
    return await build()
