"""A round begun, noted and stopped over a real broker, in a daemon with a meter."""

from __future__ import annotations

import asyncio
import json

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from acquire import config
from acquire.clock import SystemClock
from acquire.outlets.publisher import MqttOutlet
from acquire.outward import MqttConfig
from acquire.readings import Reading
from acquire.store.records import Records
from tests.test_daemon_rounds import Heard, dips

__all__ = ["dips"]


async def test_a_round_is_begun_and_stopped_over_the_broker(
    broker,
    ear,
    until,
    dips,
    tmp_path,
):
    broker.start()
    listens = await ear("answers")
    settings = MqttConfig(
        host="127.0.0.1",
        port=broker.port,
        client_id="ouzel-test",
        source="urn:dev:ops:0-test",
        commands=("round", "note", "stop"),
    )
    outlet = MqttOutlet(settings, config.load(None), SystemClock())
    works = dips(outlets=[outlet])
    heard = Heard(works)
    running = asyncio.create_task(works.run())
    await until(lambda: outlet.broker.is_connected and heard.of(Reading))
    properties = Properties(PacketTypes.PUBLISH)
    properties.ResponseTopic = "answers"
    log = broker.folder / "log"
    await until(lambda: "ouzel/command/round" in log.read_text())
    async with aiomqtt.Client(
        "127.0.0.1", broker.port, protocol=aiomqtt.ProtocolVersion.V5
    ) as sender:

        async def order(word, water):
            done = len(listens.heard)
            payload = json.dumps({"meter": "kitchen", "water": water})
            await sender.publish(f"ouzel/command/{word}", payload, 1, properties=properties)
            await until(lambda: len(listens.heard) > done)
            return json.loads(listens.heard[-1].payload)

        begun = await order("round", "mine")
        file = await order("round", str(tmp_path / "plans" / "mine.toml"))
        noted = await order("note", "by the window")
        stopped = await order("stop", "")
    works.stop()
    await running
    assert begun["ok"], begun
    assert not file["ok"]
    assert noted["ok"], noted
    assert "is stopped" in stopped["done"]
    with Records.open(tmp_path / "water.db") as records:
        (one,) = records.rounds()
        assert (one.plan, one.state) == ("mine", "stopped")
        assert "by the window" in [event.text for event in records.events(kind="round_note")]
