"""The MQTT outlet against a real mosquitto."""

from __future__ import annotations

import asyncio
import json
import os
from itertools import pairwise

import pytest

from acquire.readings import CaptureState, Event
from acquire.store.outbox import Outbox

RESTARTS = int(os.environ.get("OUZEL_BROKER_RESTARTS", "5"))
"""`OUZEL_BROKER_RESTARTS=50` runs the long form: 2,000 captures."""


def left(program, limit=10_000):
    with Outbox.open(program.writer.path) as outbox:
        return outbox.take("mqtt", limit=limit)


def user(message):
    return dict(getattr(message.properties, "UserProperty", []))


async def test_a_capture_arrives_with_its_id_its_time_and_its_values(broker, program, ear, until):
    broker.start()
    listens = await ear("ouzel/#")
    one = await program()
    await until(lambda: listens.of("ouzel/state"))
    capture = one.capture("7f2k0c1q")
    await one.keep(capture)
    await until(lambda: listens.of("ouzel/kitchen/capture"))
    (message,) = listens.of("ouzel/kitchen/capture")
    rows = json.loads(message.payload)
    said = {row["n"]: row.get("v", row.get("vs")) for row in rows}
    assert rows[0]["bn"] == "urn:dev:ops:0-test:kitchen:"
    assert rows[0]["bt"] == capture.taken.at_ms / 1000
    assert (said["id"], said["state"], said["ph"], said["ph/u"]) == (
        "7f2k0c1q",
        "final",
        7.01,
        0.02,
    )
    assert (message.qos, message.retain) == (1, False)
    assert message.properties.ContentType == "application/senml+json"
    assert message.properties.PayloadFormatIndicator == 1
    assert user(message) == {"id": "7f2k0c1q.1"}
    await until(lambda: not left(one, 1))


async def test_live_values_expire_and_the_latest_are_retained_in_their_own_topic(
    broker, program, ear, until
):
    broker.start()
    listens = await ear("ouzel/#")
    one = await program(expiry_s=77)
    one.said.say(one.reading(ph=7.01, conductivity=489.0))
    await until(lambda: listens.of("ouzel/kitchen/latest"))
    (live,) = listens.of("ouzel/kitchen/live")
    assert live.properties.MessageExpiryInterval == 77
    assert [row["v"] for row in json.loads(live.payload)] == [7.01, 0.0489]
    assert [m.payload for m in listens.of("ouzel/kitchen/ph")] == [b"7.01"]
    assert [m.payload for m in listens.of("ouzel/kitchen/conductivity")] == [b"489"]
    later = await ear("ouzel/#", port=broker.port)  # somebody who comes later
    await until(lambda: later.of("ouzel/kitchen/latest"))
    assert later.of("ouzel/kitchen/latest")[0].retain
    assert not later.of("ouzel/kitchen/live")
    assert not later.of("ouzel/kitchen/ph")


@pytest.mark.timeout(60 + 5 * RESTARTS)
async def test_the_long_killing_of_the_broker_loses_nothing_and_keeps_the_order(
    broker, program, ear, until
):
    broker.lines += ["persistence true", f"persistence_location {broker.folder}/"]
    broker.lines += ["autosave_on_changes true", "autosave_interval 1", "max_queued_messages 0"]
    broker.start()
    listens = await ear("ouzel/+/capture")
    one = await program()
    meters = ("kitchen", "garage")
    sent = {meter: [] for meter in meters}

    def known():
        return {(str(m.topic).split("/")[1], user(m)["id"]) for m in listens.heard}

    number = 0
    for _ in range(RESTARTS):
        for _ in range(20):
            for meter in meters:
                number += 1
                sent[meter].append(f"{meter}{number}.1")
                await one.keep(one.capture(f"{meter}{number}", meter, ph=number / 1000))
        broker.kill()
        for meter in meters:  # some while it is away
            number += 1
            sent[meter].append(f"{meter}{number}.1")
            await one.keep(one.capture(f"{meter}{number}", meter))
        broker.start()
        await until(listens.ready.is_set)
        await until(lambda: one.outlet.broker.is_connected)
    everything = {(meter, name) for meter in meters for name in sent[meter]}
    await until(lambda: not left(one, 1), 20 + 2 * RESTARTS)
    await until(lambda: everything <= known(), 20 + 2 * RESTARTS)
    for meter in meters:
        first = list(dict.fromkeys(user(m)["id"] for m in listens.of(f"ouzel/{meter}/capture")))
        assert first == sent[meter]
    bodies = {}
    for message in listens.heard:
        bodies.setdefault(user(message)["id"], set()).add(message.payload)
    assert all(len(one) == 1 for one in bodies.values())  # a duplicate is the same to the byte
    assert one.outlet.broker.reconnects >= 1


async def test_what_waited_says_so_and_what_comes_live_does_not(broker, program, ear, until):
    one = await program()  # there is no broker yet
    await one.keep(one.capture("early"))
    broker.start()
    listens = await ear("ouzel/+/capture")
    await until(lambda: listens.heard, 10)
    await one.keep(one.capture("now"))
    await until(lambda: len(listens.heard) == 2)
    assert [user(m) for m in listens.heard] == [{"id": "early.1", "late": "true"}, {"id": "now.1"}]
    assert not any(m.retain for m in listens.heard)


async def test_a_refusal_by_the_brokers_rules_deletes_nothing_and_is_named(
    broker, program, ear, until
):
    rules = broker.folder / "rules"
    rules.write_text(
        "topic readwrite ouzel/garage/#\ntopic readwrite ouzel/state\ntopic read #\n",
        encoding="utf-8",
    )
    broker.lines.append(f"acl_file {rules}")
    broker.start()
    listens = await ear("ouzel/#")
    one = await program()
    for n in range(3):
        await one.keep(one.capture(f"k{n}"))
        await one.keep(one.capture(f"g{n}", "garage"))
    await until(lambda: len(listens.of("ouzel/garage/capture")) == 3)
    await until(lambda: len(left(one)) == 3)
    kept = left(one)
    assert [item.thing.id for item in kept] == ["k0", "k1", "k2"]
    assert kept[0].refused == "Not authorized"
    assert not listens.of("ouzel/kitchen/capture")
    (named,) = [e for e in one.told if "kitchen/capture" in e.text]
    assert named.kind == "outlet_refused"
    assert "Not authorized" in named.text
    # The rules are put right: after the next connection all of it goes, in order.
    broker.kill()
    rules.write_text("topic readwrite #\n", encoding="utf-8")
    broker.start()
    await until(lambda: not left(one, 1))
    await until(listens.ready.is_set)


async def test_a_clean_stop_says_offline_and_keeps_the_will_from_being_published(
    broker, program, ear, until
):
    broker.start()
    listens = await ear("ouzel/#")
    one = await program(will_delay_s=0)
    one.said.say(one.reading())
    await until(lambda: listens.of("ouzel/kitchen/state"))
    await one.stop()
    await until(lambda: len(listens.of("ouzel/state")) == 2)
    assert [m.payload for m in listens.of("ouzel/state")] == [b"online", b"offline"]
    assert listens.of("ouzel/kitchen/state")[-1].payload == b"offline"
    await asyncio.sleep(0.05)
    assert b"lost" not in [m.payload for m in listens.heard]


async def test_a_sudden_death_publishes_the_will(broker, program, ear, until):
    broker.start()
    listens = await ear("ouzel/state")
    one = await program(will_delay_s=0, reconnect_most_s=60)
    await until(lambda: one.outlet.broker.is_connected and listens.heard)
    one.sever()
    await until(lambda: listens.heard[-1].payload == b"lost")


async def test_an_end_by_an_error_is_no_goodbye_so_the_will_is_published(
    broker, program, ear, until
):
    broker.start()
    listens = await ear("ouzel/state")
    one = await program(will_delay_s=0)
    await until(lambda: listens.heard)
    one.task.cancel()
    await until(lambda: [m.payload for m in listens.heard] == [b"online", b"lost"])


async def test_a_short_cut_of_the_network_does_not_show_as_lost(broker, program, ear, until):
    broker.start()
    listens = await ear("ouzel/state")
    one = await program(will_delay_s=1)
    await until(lambda: one.outlet.broker.is_connected and listens.heard)
    one.sever()
    await until(lambda: one.outlet.broker.reconnects == 1)
    begun = asyncio.get_running_loop().time()
    await until(lambda: asyncio.get_running_loop().time() - begun > 2)
    assert {m.payload for m in listens.heard} == {b"online"}


@pytest.mark.parametrize("form", ["senml+json", "senml+cbor"])
async def test_both_forms_of_senml_name_their_content_type(broker, program, ear, until, form):
    import cbor2

    broker.start()
    listens = await ear("ouzel/+/live")
    one = await program(format=form)
    one.said.say(one.reading(ph=7.0))
    await until(lambda: listens.heard)
    (message,) = listens.heard
    assert message.properties.ContentType == f"application/{form}"
    if form == "senml+cbor":
        assert cbor2.loads(message.payload)[0][2] == 7.0


async def test_every_state_of_a_capture_and_every_event_goes_out(broker, program, ear, until):
    broker.start()
    listens = await ear("ouzel/#")
    one = await program()
    capture = one.capture("c1", state=CaptureState.PROVISIONAL)
    await one.keep(capture)
    await one.keep(one.capture("c2", state=CaptureState.UNSETTLED))
    await one.keep(Event("clock_step", one.clock.now(), "", "the clock was set", {"step_s": 3.0}))
    await one.keep(Event("meter_lost", one.clock.now(), "kitchen", "unplugged"))
    await until(lambda: listens.of("ouzel/kitchen/event") and listens.of("ouzel/event"))
    states = [
        next(row["vs"] for row in json.loads(m.payload) if row["n"] == "state")
        for m in listens.of("ouzel/kitchen/capture")
    ]
    assert states == ["provisional", "unsettled"]
    rows = json.loads(listens.of("ouzel/event")[0].payload)
    assert {"n": "data/step_s", "v": 3.0} in rows
    await until(lambda: listens.of("ouzel/kitchen/state"))
    assert listens.of("ouzel/kitchen/state")[-1].payload == b"away"


async def test_a_broker_that_comes_back_is_told_once_each_way(broker, program, until):
    one = await program()
    await until(lambda: one.told)
    broker.start()
    await until(lambda: one.outlet.broker.is_connected)
    broker.kill()
    await until(lambda: [e.kind for e in one.told].count("outlet_lost") == 2)
    broker.start()
    await until(lambda: one.outlet.broker.reconnects == 2)
    kinds = [event.kind for event in one.told]
    assert all(a != b for a, b in pairwise(kinds))
