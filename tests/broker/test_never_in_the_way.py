"""Readings go on whatever the broker does: it hangs, floods, vanishes, or is away for a week."""

from __future__ import annotations

import asyncio
import resource
from pathlib import Path
from typing import ClassVar

import aiomqtt
import pytest

from acquire import config as configuration
from acquire import daemon as daemon_module
from acquire import registry
from acquire.clock import SystemClock
from acquire.daemon import Daemon
from acquire.outlets.publisher import MqttOutlet
from acquire.outward import MqttConfig
from acquire.readings import CaptureState, Reading
from acquire.store.outbox import Outbox
from tests.pretend_meter import PretendMeter, PretendSettings

PERIOD_S = 0.02


def waited_s():
    """How long this thread was ready to run and could not (Linux, sched-stats.rst)."""
    try:
        return int(Path("/proc/thread-self/schedstat").read_text().split()[1]) * 1e-9
    except (OSError, IndexError):
        return 0.0


class Beat(PretendMeter):
    """A meter that speaks by the machine's own clock, and notes when it could not.

    What the whole program waited for a processor that others had is not counted as late.
    """

    late_s: ClassVar[list[float]] = []

    async def readings(self):
        loop = asyncio.get_running_loop()
        number = 0
        while True:
            due_s, before_s = loop.time() + PERIOD_S, waited_s()
            await asyncio.sleep(PERIOD_S)
            self.late_s.append(loop.time() - due_s - (waited_s() - before_s))
            number += 1
            yield Reading(
                self.meter,
                self.clock.now(),
                {"conductivity": 400.0 + number % 50, "temperature": 20.0},
            )


@pytest.fixture
async def running(broker, tmp_path, monkeypatch):
    monkeypatch.setitem(registry.BUILT_IN_DRIVERS, "beat", f"{__name__}:Beat")
    monkeypatch.setattr(daemon_module, "driver_class", lambda _name: Beat)
    asyncio.get_running_loop().set_debug(False)  # its own watching costs milliseconds
    Beat.late_s.clear()
    config = configuration.load(None)
    settings = MqttConfig(
        host="127.0.0.1",
        port=broker.port,
        client_id="t",
        reconnect_most_s=0.05,
        every_s=0.01,
        commands=("water",),
    )
    outlet = MqttOutlet(settings, config, SystemClock())
    works = Daemon(
        config,
        [configuration.MeterConfig("kitchen", "beat", PretendSettings())],
        SystemClock(),
        store=tmp_path / "water.db",
        outlets=[outlet],
    )
    task = asyncio.create_task(works.run())
    yield outlet
    works.stop()
    await asyncio.wait_for(task, 6)


async def beats(until, count):
    begun = len(Beat.late_s)
    await until(lambda: len(Beat.late_s) >= begun + count)
    return max(Beat.late_s[begun:])


async def in_time(do, until, count):
    """Whatever is done, no reading is late: but the machine itself may be, so it gets three tries.

    What holds the loop up holds it up each time.
    """
    worst = []
    for _ in range(3):
        do()
        worst.append(await beats(until, count))
        if worst[-1] <= 0.05:
            return
    raise AssertionError(worst)


async def test_a_broker_that_hangs_or_vanishes_delays_no_reading(broker, running, until):
    def back():
        broker.kill()
        broker.start()

    broker.start()
    await until(lambda: running.broker.is_connected)
    await in_time(lambda: None, until, 50)
    await in_time(broker.hang, until, 100)
    await in_time(broker.wake, until, 25)
    await in_time(broker.kill, until, 100)
    await in_time(back, until, 50)
    await until(lambda: running.broker.is_connected)


async def test_a_flood_of_messages_delays_no_reading(broker, running, until):
    broker.start()
    await until(lambda: running.broker.is_connected)
    flooding = True

    async def flood():
        async with aiomqtt.Client("127.0.0.1", broker.port) as client:
            while flooding:
                for _ in range(20):
                    await client.publish("ouzel/command/water", b"x" * 2000, 0)
                await asyncio.sleep(0)

    task = asyncio.create_task(flood())
    await in_time(lambda: None, until, 100)
    flooding = False
    await task
    assert "SUBSCRIBE" in (broker.folder / "log").read_text()
    await until(lambda: len(running._orders._recent) == 10)  # it did come through


async def test_a_stop_does_not_wait_for_a_broker_that_hangs(broker, program, until):
    broker.start()
    one = await program()
    await until(lambda: one.outlet.broker.is_connected)
    broker.hang()
    one.said.say(one.reading())
    await one.keep(one.capture("c1"))
    begun = asyncio.get_running_loop().time()
    one.said.say(None)
    await asyncio.wait({one.task}, timeout=1.0)  # as long as the daemon gives an outlet
    one.task.cancel()
    await asyncio.wait({one.task}, timeout=1.0)
    assert one.task.done()
    assert asyncio.get_running_loop().time() - begun < 2.0


async def test_a_week_without_a_broker_keeps_memory_and_disk_bounded(program, broker, until):
    """A week: a reading a second would be 604,800; every tenth is said, and 5,000 captures."""

    def resident():
        return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize()

    one = await program(outbox_rows=3000)
    for _ in range(2000):
        one.said.say(one.reading())
        await asyncio.sleep(0)
    before = resident()
    for number in range(60_480):
        one.said.say(one.reading(ph=7 + number % 10 / 10))
        if number % 100 == 0:
            await asyncio.sleep(0)
        if number % 60 == 0:
            await asyncio.gather(
                *(
                    one.writer.keep(one.capture(f"{number}-{n}", state=CaptureState.FINAL))
                    for n in range(5)
                )
            )
    grown_mb = (resident() - before) / 1e6
    assert grown_mb < 8, grown_mb
    with Outbox.open(one.writer.path) as outbox:
        standing = outbox.standing("mqtt")
    assert standing.waiting == 3000
    assert standing.dropped == 5 * 1008 - 3000
