"""One connection: what is handed over together, against a real mosquitto."""

from __future__ import annotations

import asyncio

import pytest

from acquire import config as configuration
from acquire.outlets.homie_outlet import HomieOutlet
from acquire.outlets.messages import Message
from acquire.outlets.mqtt import LinkLost, open_link
from acquire.outward import HomieConfig, MqttConfig


async def test_many_messages_go_out_in_order_and_each_refusal_is_of_its_own(broker, ear, until):
    rules = broker.folder / "rules"
    rules.write_text("topic readwrite ouzel/#\ntopic deny ouzel/secret\n", encoding="utf-8")
    broker.lines.append(f"acl_file {rules}")
    broker.start()
    listens = await ear("ouzel/#")
    settings = MqttConfig(host="127.0.0.1", port=broker.port)
    messages = [
        Message("ouzel/secret" if n == 30 else f"ouzel/{n}", b"%d" % n, n % 2 if n < 30 else 1)
        for n in range(70)
    ]
    async with open_link(settings, "t", None, is_5=True) as link:
        reasons = await link.publish_all(messages)
    assert [n for n, reason in enumerate(reasons) if reason] == [30]
    assert reasons[30] == "Not authorized"
    await until(lambda: len(listens.heard) == 69)
    assert [int(m.payload) for m in listens.heard] == [n for n in range(70) if n != 30]


async def test_a_broker_that_vanishes_under_many_messages_is_a_lost_connection(broker):
    broker.start()
    settings = MqttConfig(host="127.0.0.1", port=broker.port)
    async with open_link(settings, "t", None, is_5=True) as link:
        broker.hang()
        publishing = asyncio.create_task(
            link.publish_all([Message(f"ouzel/{n}", bytes(100_000), 1) for n in range(60)])
        )
        await asyncio.sleep(0.05)
        assert not publishing.done()  # what the socket has no room for waits
        broker.kill()
        with pytest.raises(LinkLost):
            async for _ in link.messages():
                pass
        publishing.cancel()
        with pytest.raises((asyncio.CancelledError, LinkLost)):
            await publishing


async def test_homie_tells_what_has_changed_and_after_a_while_the_rest(
    broker, ear, until, fake_clock, program
):
    broker.start()
    listens = await ear("homie/5/ouzel/kitchen/#")
    one = await program(clock=fake_clock)
    settings = MqttConfig(
        host="127.0.0.1", port=broker.port, client_id="t", every_s=1.0, at_least_s=30.0
    )
    outlet = HomieOutlet(settings, HomieConfig(), configuration.load(None), fake_clock)
    said = type(one.said)()
    task = asyncio.create_task(outlet.run(said))

    def heard():
        names = ("ph", "orp")
        return [
            (str(m.topic).rsplit("/", 1)[1], m.payload)
            for m in listens.heard
            if str(m.topic).endswith(names)
        ]

    said.say(one.reading(ph=7.0, orp=200.0))
    await until(lambda: len(heard()) == 4)  # in the introduction, and as the first values
    await fake_clock.advance(2.0)
    said.say(one.reading(ph=7.5, orp=200.0))
    await until(lambda: len(heard()) == 5)
    await fake_clock.advance(29.0)
    said.say(one.reading(ph=8.0, orp=200.0))
    await until(lambda: len(heard()) == 7)
    assert heard()[4:] == [("ph", b"7.500"), ("ph", b"8.000"), ("orp", b"0.200")]
    said.say(None)
    await asyncio.wait_for(task, 5)
