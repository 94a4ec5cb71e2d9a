"""Ways to a broker: TLS, certificates, passwords, websockets, an older protocol, a hub that asks."""

from __future__ import annotations

import asyncio
import json
import ssl

import aiomqtt
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from acquire import config as configuration
from acquire.errors import ConfigError
from acquire.outlets.announce import load_template
from acquire.outlets.homie_outlet import HomieOutlet
from acquire.outlets.tls import tls_context
from acquire.outward import HomieConfig, MqttConfig, read_secret
from acquire.readings import Event


def secure(broker, certificates, *more):
    broker.lines += [
        f"cafile {certificates}/authority.pem",
        f"certfile {certificates}/server.pem",
        f"keyfile {certificates}/server.key",
        *more,
    ]
    broker.start()


async def test_tls_with_an_authority_and_a_certificate_of_our_own(
    broker, program, certificates, until
):
    secure(broker, certificates, "require_certificate true")
    one = await program(
        ca_file=certificates / "authority.pem",
        cert_file=certificates / "client.pem",
        key_file=certificates / "client.key",
    )
    await until(lambda: one.outlet.broker.is_connected)
    assert not one.told


async def test_a_broker_that_cannot_prove_who_it_is_gets_nothing(
    broker, program, certificates, until
):
    secure(broker, certificates)
    one = await program(tls=True)  # the system's authorities do not know ours
    await until(lambda: one.told)
    assert "certificate verify failed" in one.told[0].text
    assert not one.outlet.broker.is_connected


async def test_a_password_comes_from_a_file_and_a_wrong_one_is_named(
    broker, program, tmp_path, until
):
    secret = tmp_path / "password"
    secret.write_text("wrong\n", encoding="utf-8")
    secret.chmod(0o600)
    users = broker.folder / "users"
    words = ("-b", "-c", str(users), "probe", "right")
    child = await asyncio.create_subprocess_exec("mosquitto_passwd", *words)
    assert await child.wait() == 0
    broker.lines[1] = "allow_anonymous false"
    broker.lines.append(f"password_file {users}")
    broker.start()
    one = await program(user="probe", password_file=secret)
    await until(lambda: one.told)
    assert "the broker refused" in one.told[0].text
    secret.write_text("right\n", encoding="utf-8")  # read anew at each try
    await until(lambda: one.outlet.broker.is_connected)


@pytest.mark.parametrize("mode", [0o604, 0o602, 0o644])
def test_a_secret_that_everybody_may_read_is_refused(tmp_path, mode):
    secret = tmp_path / "password"
    secret.write_text("x", encoding="utf-8")
    secret.chmod(mode)
    with pytest.raises(ConfigError, match="chmod 600 password"):
        read_secret(secret)
    file = tmp_path / "ouzel.toml"
    file.write_text('[mqtt]\nhost = "h"\nuser = "u"\npassword_file = "password"\n')
    with pytest.raises(ConfigError, match=r"mqtt\.password_file"):
        configuration.load(file)


async def test_websockets(broker, program, new_port, until):
    # This mosquitto does not start with websockets alone.
    broker.lines += [f"listener {(port := new_port())} 127.0.0.1", "protocol websockets"]
    broker.start()
    one = await program(transport="websockets", port=port)
    await until(lambda: one.outlet.broker.is_connected)
    await one.keep(one.capture("c1"))
    await until(lambda: one.outlet.drain.sent == 1)


async def test_a_broker_that_knows_only_3_1_1_is_spoken_to_in_that(program, broker, until):
    """A wire of our own for once: mosquitto cannot be told to forget MQTT 5."""
    seen = []

    async def old(reader, writer):
        level = 0
        try:
            while True:
                kind, length = await reader.readexactly(2)
                while length & 0x80:  # long lengths are not needed for what is sent here
                    length = (length & 0x7F) | (await reader.readexactly(1))[0] << 7
                body = await reader.readexactly(length)
                if kind >> 4 == 1:
                    level = body[6]
                    seen.append(level)
                    if level != 4:
                        writer.write(bytes([0x20, 2, 0, 1]))  # unacceptable protocol version
                        break
                    writer.write(bytes([0x20, 2, 0, 0]))
                elif kind >> 4 == 3 and kind & 6:
                    at = 2 + int.from_bytes(body[:2], "big")
                    writer.write(bytes([0x40, 2]) + body[at : at + 2])
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()

    server = await asyncio.start_server(old, "127.0.0.1", broker.port)
    async with server:
        one = await program()
        await until(lambda: one.outlet.broker.is_connected)
        await one.keep(one.capture("c1"))
        await until(lambda: one.outlet.drain.sent == 1)
        assert seen[-1] == 4
        assert 5 in seen
        await one.stop()


async def test_a_homie_device_goes_through_its_states_in_order(broker, ear, until, program):
    broker.start()
    listens = await ear("homie/#")
    one = await program()
    settings = MqttConfig(
        host="127.0.0.1", port=broker.port, client_id="t", reconnect_most_s=0.05, will_delay_s=0
    )
    outlet = HomieOutlet(settings, HomieConfig(), configuration.load(None), one.clock)
    outlet.join(None, one.tell)
    said = type(one.said)()
    task = asyncio.create_task(outlet.run(said))
    said.say(one.reading(ph=7.01, orp=212.0))
    await until(lambda: listens.of("homie/5/ouzel/kitchen/orp"))
    said.say(Event("meter_lost", one.clock.now(), "kitchen", "unplugged"))
    await until(lambda: listens.of("homie/5/ouzel/$alert/kitchen"))
    await until(lambda: listens.of("homie/5/ouzel/kitchen/state")[-1].payload == b"away")
    said.say(None)
    await asyncio.wait_for(task, 5)
    await until(lambda: listens.of("homie/5/ouzel/$state")[-1].payload == b"disconnected")
    assert listens.of("homie/5/ouzel/kitchen/orp")[0].payload == b"0.212"
    state = None
    for message in listens.heard:
        word = str(message.topic).rsplit("/", 1)[1]
        if word == "$state":
            state = message.payload
        elif word == "$description":
            assert state == b"init"
            described = set(json.loads(message.payload)["nodes"])
    assert described == {"kitchen"}
    assert listens.of("homie/5/ouzel/kitchen/state")[-1].payload == b"away"


TEMPLATE = """
topic = "cellar/devices/{client_id}_{meter}_{quantity}"
asked_on = "cellar/hello"
asked_with = "who is there"

[body]
title = "{label} ({meter})"
listen_to = ["{value_topic}"]
braces = "{{}}"
present = { topic = "{program_state_topic}", yes = "online" }
"""


async def test_a_hub_is_told_of_every_quantity_and_again_when_it_asks(
    broker, ear, until, program, tmp_path
):
    file = tmp_path / "hub.toml"
    file.write_text(TEMPLATE, encoding="utf-8")
    broker.start()
    listens = await ear("cellar/#")
    one = await program(announce={"templates": [str(file)]})
    one.said.say(one.reading(ph=7.01, orp=212.0))
    topic = "cellar/devices/ouzel-test_kitchen_ph"
    await until(lambda: listens.of(topic))
    assert json.loads(listens.of(topic)[0].payload) == {
        "title": "pH (kitchen)",
        "listen_to": ["ouzel/kitchen/ph"],
        "braces": "{}",
        "present": {"topic": "ouzel/state", "yes": "online"},
    }
    async with aiomqtt.Client("127.0.0.1", broker.port) as hub:
        await hub.publish("cellar/hello", "something else", 1)
        await hub.publish("cellar/hello", "who is there", 1)
    await until(lambda: len(listens.of(topic)) == 2)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('topic = "a/{nobody}"\n[body]\nx = 1', "unknown place"),
        ('topic = "a/{meter.__class__}"\n[body]\nx = 1', "unknown place"),
        ('topic = "a/{meter!r}"\n[body]\nx = 1', "unknown place"),
        ('topic = "a/{meter"\n[body]\nx = 1', "unpaired brace"),
        ('topic = "a/#"\n[body]\nx = 1', "not a topic"),
        ('topic = "a"\n', "is missing"),
        ('topic = "a"\ntopics = 1\n[body]\nx = 1', "unknown key"),
        ('topic = "a"\n[body]\nx = nan', "cannot be JSON"),
    ],
)
def test_a_template_that_cannot_be_used_is_refused_at_the_start(tmp_path, text, says):
    file = tmp_path / "hub.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match=says):
        load_template(file)


async def test_an_order_is_answered_where_the_sender_listens_and_every_one_is_told(
    broker, ear, until, program
):
    broker.start()
    listens = await ear("answers")
    asked = []

    async def act(word, meter, water):
        asked.append((word, meter, water))
        if water == "lava":
            raise ValueError("no such water")
        return "done so"

    one = await program(act=act, commands=("water",))
    await until(lambda: one.outlet.broker.is_connected)
    properties = Properties(PacketTypes.PUBLISH)
    properties.ResponseTopic = "answers"
    properties.CorrelationData = b"17"
    async with aiomqtt.Client(
        "127.0.0.1", broker.port, protocol=aiomqtt.ProtocolVersion.V5
    ) as sender:

        async def order(payload, topic="ouzel/command/water", **more):
            await sender.publish(topic, payload, 1, properties=properties, **more)

        await until(lambda: "ouzel/command/water" in (broker.folder / "log").read_text())
        await order(b'{"meter": "kitchen", "water": "kitchen tap"}')
        await order(b'{"meter": "kitchen", "water": "lava"}')
        await order(b"[1, 2")
        await order(b"{}", topic="ouzel/command/stop")  # not among the allowed
        await until(lambda: len(listens.heard) == 3)
    answers = [json.loads(message.payload) for message in listens.heard]
    assert answers[0] == {"ok": True, "done": "done so"}
    assert answers[1] == {"ok": False, "error": "no such water"}
    assert answers[2]["error"].startswith("not JSON")
    assert {bytes(m.properties.CorrelationData) for m in listens.heard} == {b"17"}
    assert asked == [("water", "kitchen", "kitchen tap"), ("water", "kitchen", "lava")]
    assert [e.kind for e in one.told] == ["order"] * 3


async def test_without_leave_nothing_is_even_listened_to(broker, program, until):
    broker.start()

    async def act(*_):
        raise AssertionError

    one = await program(act=act)
    await until(lambda: one.outlet.broker.is_connected)
    await one.keep(one.capture("c1"))
    await until(lambda: one.outlet.drain.sent == 1)
    assert "SUBSCRIBE" not in (broker.folder / "log").read_text()


def test_the_context_of_tls_checks_names_and_certificates():
    context = tls_context(MqttConfig(host="h", tls=True), 1.0)
    assert context.check_hostname
    assert context.verify_mode is ssl.CERT_REQUIRED
