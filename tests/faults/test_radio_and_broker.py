"""Bluetooth and the broker fail together, in any order: readings come back, everything kept arrives.

OUZEL_BOTH=60 makes the long form.
"""

from __future__ import annotations

import asyncio
import os
import random
from pathlib import Path

import pytest

from acquire import config
from acquire.clock import SystemClock
from acquire.daemon import Daemon
from acquire.outlets.publisher import MqttOutlet
from acquire.readings import Event, Reading
from acquire.store import Records
from acquire.store.outbox import Outbox
from tests.bluetooth.conftest import QUICK, until

ROUNDS = int(os.environ.get("OUZEL_BOTH", "3"))


async def link_drops(world, meter):
    meter.peripheral.drop()


async def radio_crashes(world, meter):
    await world.bluez.crash()
    await world.bluez.start()


async def switched_off(world, meter):
    world.bluez.switch(on=False)
    await asyncio.sleep(0.02)
    world.bluez.switch(on=True)


async def broker_dies(broker):
    broker.kill()
    await asyncio.sleep(0.05)
    broker.start()


async def broker_hangs(broker):
    broker.hang()
    await asyncio.sleep(0.05)
    broker.wake()


@pytest.mark.timeout(60 + 6 * ROUNDS)
async def test_both_fail_together_and_nothing_is_lost_or_piles_up(world, broker, tmp_path):
    asyncio.get_running_loop().set_debug(False)
    chance = random.Random(4)
    meter = world.meter()
    profile = tmp_path / "mine.toml"
    shipped = Path(__file__).parents[2] / "drivers/profiles/gatt/packed.toml"
    profile.write_text(shipped.read_text("utf-8") + QUICK)
    broker.start()
    (tmp_path / "ouzel.toml").write_text(
        f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\nclient_id = "both"\n'
        'reconnect_most_s = 0.1\ndrain_per_s = 10000\n[meters.bench]\ndriver = "gatt"\n'
        f'profile = "mine.toml"\naddress = "{meter.peripheral.address}"\nsilence_s = 3.0\n'
    )
    settings = config.load(tmp_path / "ouzel.toml")
    outlet = MqttOutlet(settings.mqtt, settings, SystemClock())
    works = Daemon(
        settings,
        list(settings.meters.values()),
        SystemClock(),
        store=tmp_path / "water.db",
        outlets=[outlet],
    )
    heard: list[object] = []
    listener = works.listen("test", size=10_000)

    async def listen():
        async for said in listener:
            heard.append(said)  # noqa: PERF401  (others look into it meanwhile)

    async def talk():
        while True:
            meter.say(world.water)
            await asyncio.sleep(0.02)

    others = [asyncio.create_task(listen()), asyncio.create_task(talk())]
    running = asyncio.create_task(works.run())

    async def well():
        count = sum(isinstance(one, Reading) for one in heard)
        await until(
            lambda: (
                sum(isinstance(one, Reading) for one in heard) > count + 3
                and outlet.broker.is_connected
            ),
            15,
        )

    await well()
    levels = []
    for _ in range(ROUNDS):
        radio = chance.choice((link_drops, radio_crashes, switched_off))
        house = chance.choice((broker_dies, broker_hangs))
        await asyncio.gather(radio(world, meter), house(broker))
        await well()
        await asyncio.sleep(0.05)
        levels.append((world.descriptors(), len(asyncio.all_tasks())))

    def waiting():
        with Outbox.open(tmp_path / "water.db") as outbox:
            return outbox.standing("mqtt")

    works.stop()
    await running
    for task in others:
        task.cancel()
    await asyncio.gather(*others, return_exceptions=True)
    assert max(levels[len(levels) // 2 :]) <= (levels[0][0] + 3, levels[0][1] + 4)
    with Records.open(tmp_path / "water.db") as records:
        assert records.check() == ""
        kept = {(one.kind, one.stamp.mono_ns) for one in records.events()}
        values = {tuple(sorted(one.values.items())) for one in records.readings()}
    assert len(values) == 1  # no fault became a value
    announced = {(o.kind, o.stamp.mono_ns) for o in heard if isinstance(o, Event)}
    assert announced <= kept
    standing = waiting()
    assert (standing.dropped, standing.refused) == (0, 0)
    assert standing.waiting <= 3  # of the last second, if any: all that came before has gone out
