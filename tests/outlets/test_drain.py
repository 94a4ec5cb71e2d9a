"""The outbox drained: order, holds, rates. A real store, a broker that is a function."""

from __future__ import annotations

import asyncio
import contextlib
import json

import pytest

from acquire.clock import SystemClock
from acquire.outlets.drain import Drain
from acquire.outlets.messages import Messages
from acquire.readings import Capture, CaptureState, Event, SettledValue, Stamp
from acquire.store.outbox import Carrier, Outbox
from acquire.store.writer import StoreWriter

AT = Stamp(1_790_000_000_000, 0)


def capture(name, meter="kitchen", at=AT):
    value = SettledValue("ph", 7.01, 0.02, "settled", 0.0, 40.0)
    return Capture(name, meter, CaptureState.FINAL, at, at, {"ph": value})


class World:
    """What is refused, what arrived, what was told."""

    def __init__(self):
        self.refuse = {}
        self.arrived = []
        self.tried = []
        self.told = []

    async def publish(self, message):
        rows = json.loads(message.payload)
        name = next((row["vs"] for row in rows if row["n"] == "id"), "")
        self.tried.append(name)
        reason = self.refuse.get(name) or self.refuse.get(message.topic, "")
        if not reason:
            self.arrived.append(name)
        return reason

    async def tell(self, event):
        self.told.append(event)


@pytest.fixture
async def made(tmp_path, fake_clock):
    world = World()
    async with await StoreWriter.open(tmp_path / "water.db", clock=SystemClock()) as writer:
        await writer.keep(Carrier("mqtt"))
        drain = Drain(
            "mqtt",
            writer,
            fake_clock,
            messages=Messages("o", "s"),
            tell=world.tell,
            per_s=4.0,
        )
        tasks = []

        def start():
            tasks.append(asyncio.create_task(drain.run(world.publish)))

        def lose():
            tasks[-1].cancel()

        world.lose = lose
        yield world, writer, drain, start
        for task in tasks:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
        await drain.close()


async def until(condition):
    async with asyncio.timeout(10):
        while not condition():  # noqa: ASYNC110
            await asyncio.sleep(0.002)


def left(writer):
    with Outbox.open(writer.path) as outbox:
        return [(getattr(item.thing, "id", ""), item.refused) for item in outbox.take("mqtt")]


async def test_what_waited_goes_out_at_a_limited_rate(made, fake_clock):
    world, writer, _, start = made
    for n in range(5):
        await writer.keep(capture(f"c{n}"))
    start()
    await until(lambda: len(world.arrived) == 1)
    for n in range(2, 6):
        await fake_clock.advance(0.25)
        await until(lambda n=n: len(world.arrived) == n)
        assert len(world.arrived) == n
    await fake_clock.advance(0.25)
    await until(lambda: not left(writer))


async def test_what_comes_now_does_not_wait_for_a_rate(made):
    world, writer, drain, start = made
    start()
    await until(drain._idle.is_set)
    for n in range(30):
        await writer.keep(capture(f"c{n}"))
    drain.wake()
    await until(lambda: len(world.arrived) == 30)
    assert world.arrived == [f"c{n}" for n in range(30)]


async def test_what_was_acknowledged_just_before_the_connection_went_is_said_once_more(
    made, fake_clock
):
    """A broker that is killed may take with it what it had acknowledged and not yet passed on."""
    world, writer, drain, start = made
    start()
    await until(drain._idle.is_set)
    await writer.keep(capture("long-ago"))
    drain.wake()
    await until(lambda: world.arrived == ["long-ago"])
    await fake_clock.advance(6.0)
    for n in range(3):
        await writer.keep(capture(f"c{n}"))
    drain.wake()
    await until(lambda: len(world.arrived) == 4)
    world.lose()
    await fake_clock.settle()
    await writer.keep(capture("meanwhile"))
    await fake_clock.advance(3600.0)
    world.arrived.clear()
    start()
    await until(lambda: "meanwhile" in world.arrived)
    assert world.arrived == ["c0", "c1", "c2", "meanwhile"]
    await fake_clock.advance(60.0)
    world.lose()  # a quiet minute later: nothing is in doubt
    await fake_clock.settle()
    world.arrived.clear()
    start()
    await writer.keep(capture("after"))
    drain.wake()
    await until(lambda: "after" in world.arrived)
    assert world.arrived == ["after"]


async def test_nothing_overtakes_what_was_refused_and_other_topics_go_on(made, fake_clock):
    world, writer, drain, start = made
    start()
    await until(drain._idle.is_set)
    world.refuse["o/kitchen/capture"] = "Not authorized"
    for n in range(3):
        await writer.keep(capture(f"k{n}"))
        await writer.keep(capture(f"g{n}", "garage"))
    drain.wake()
    await until(lambda: world.arrived == ["g0", "g1", "g2"])
    assert world.tried.count("k0") == 1
    assert "k1" not in world.tried
    await until(lambda: left(writer) == [("k0", "Not authorized"), ("k1", ""), ("k2", "")])
    world.refuse.clear()
    await writer.keep(capture("k3"))  # comes while its topic is held
    drain.wake()
    await fake_clock.settle()
    assert world.arrived == ["g0", "g1", "g2"]
    await until(drain._idle.is_set)
    await fake_clock.advance(61, 1.0)
    await until(lambda: len(world.arrived) == 7)
    assert world.arrived[3:] == ["k0", "k1", "k2", "k3"]
    await until(lambda: not left(writer))
    (event,) = world.told
    assert "o/kitchen/capture: Not authorized" in event.text


async def test_a_refusal_that_goes_on_is_tried_less_and_less_and_told_once(made, fake_clock):
    world, writer, drain, start = made
    world.refuse["o/kitchen/capture"] = "Quota exceeded"
    start()
    await until(drain._idle.is_set)
    await writer.keep(capture("k0"))
    drain.wake()
    for tries, wait_s in ((1, 61), (2, 121), (3, 241)):
        await until(lambda tries=tries: len(world.tried) == tries and drain._idle.is_set())
        await fake_clock.settle()
        drain._idle.clear()
        await fake_clock.advance(wait_s, 1.0)
    await until(lambda: len(world.tried) == 4)
    assert len(world.told) == 1


async def test_a_message_at_fault_itself_stays_named_and_the_rest_of_its_topic_goes_on(made):
    world, writer, drain, start = made
    start()
    await until(drain._idle.is_set)
    world.refuse["k1"] = "Packet too large"
    for n in range(3):
        await writer.keep(capture(f"k{n}"))
    await writer.keep(capture("old", at=Stamp(1_000, 0)))  # a time SenML cannot say
    await writer.keep(Event("clock_step", AT))
    drain.wake()
    await until(lambda: world.arrived == ["k0", "k2", ""])
    await until(lambda: len(left(writer)) == 2)
    (first, reason), (second, why) = left(writer)
    assert (first, reason, second) == ("k1", "Packet too large", "old")
    assert "set the clock" in why
