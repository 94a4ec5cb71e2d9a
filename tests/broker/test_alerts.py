"""An alert of the watch goes the whole way: readings, draws, alert, store, outbox, broker."""

from __future__ import annotations

import asyncio
import dataclasses
import datetime as dt
import json

from acquire import config as configuration
from acquire import daemon as daemon_module
from acquire import registry
from acquire.clock import SystemClock
from acquire.daemon import Daemon
from acquire.installation import WatchConfig
from acquire.outlets.publisher import MqttOutlet
from acquire.outward import MqttConfig
from acquire.readings import Reading, Stamp
from acquire.store.outbox import Outbox
from tests.test_watching_daemon import Line, LineSettings


def said(message):
    return {row["n"]: row.get("v", row.get("vs")) for row in json.loads(message.payload)}


async def test_an_alert_arrives_at_a_broker_once_and_its_end_too(
    broker, tmp_path, monkeypatch, ear, until
):
    monkeypatch.setitem(registry.BUILT_IN_DRIVERS, "line", f"{Line.__module__}:Line")
    monkeypatch.setattr(daemon_module, "driver_class", lambda _name: Line)
    watch = WatchConfig(
        product="product",
        feed_us_cm=400.0,
        least_rejection_percent=80.0,
        cartridge_installed=dt.date(2020, 1, 1),
        lasts_days=180,
        captures=False,
    )
    config = dataclasses.replace(configuration.load(None), watches={"sink": watch})
    clock = SystemClock(600.0)
    settings = MqttConfig(
        host="127.0.0.1", port=broker.port, client_id="t", reconnect_most_s=0.05, drain_per_s=10_000
    )
    works = Daemon(
        config,
        [configuration.MeterConfig("product", "line", LineSettings(driver="line"))],
        clock,
        store=tmp_path / "water.db",
        outlets=[MqttOutlet(settings, config, clock)],
        keeps_on=True,
    )
    task = asyncio.create_task(works.run())
    try:
        # The alert is raised while there is no broker: it waits in the store.
        await until((tmp_path / "water.db").exists)

        def waits():
            with Outbox.open(tmp_path / "water.db") as outbox:
                return [
                    i for i in outbox.take("mqtt") if getattr(i.thing, "kind", "") == "alert_raised"
                ]

        await until(waits)
        broker.start()
        listens = await ear("ouzel/product/watch")
        await until(lambda: listens.heard)
        from acquire.asking import ask

        ask(tmp_path / "water.db", {"watch": "sink", "part": "cartridge"})
        await until(lambda: any(said(m)["kind"] == "alert_cleared" for m in listens.heard))
    finally:
        works.stop()
        await asyncio.wait_for(task, 6)
    kinds = [said(m)["kind"] for m in listens.heard]
    assert kinds.count("alert_raised") == 1
    raised = next(said(m) for m in listens.heard if said(m)["kind"] == "alert_raised")
    assert raised["data/of"] == "capacity"
    assert raised["data/watch"] == "sink"
    assert "rated" in raised["text"]
    assert all(m.qos == 1 and not m.retain for m in listens.heard)


async def test_roll_ups_go_out_where_they_are_asked_for_and_a_correction_again(
    broker, program, ear, until
):
    broker.start()
    listens = await ear("ouzel/+/rollup")
    one = await program(rollups="minutes")
    await until(lambda: one.outlet.broker.is_connected)
    start = one.clock.now()
    begin = start.at_ms - start.at_ms % 60_000

    def reading(s, ph):
        return Reading("kitchen", Stamp(begin + s * 1000, start.mono_ns + s * 10**9), {"ph": ph})

    for s in range(0, 62, 10):
        await one.writer.add(reading(s, 7.0 + s / 1000))
    await one.writer.add(reading(61, 7.0))
    await one.writer.flush()
    one.said.say(one.reading())
    one.outlet.drain.wake()
    await until(lambda: listens.heard)
    (message,) = listens.heard
    found = said(message)
    assert json.loads(message.payload)[0]["bt"] == begin / 1000
    assert found["id"] == f"minutes.{begin}.kitchen.ph"
    assert (found["ph/n"], found["ph/low"], found["ph/high"]) == (6, 7.0, 7.05)
    assert found["ph"] == 7.025
    await one.writer.add(reading(5, 9.0))
    await one.writer.flush()
    await one.writer.add(reading(400, 7.0))  # what came late is counted when the tail is emptied
    await one.writer.flush()
    one.outlet.drain.wake()

    def corrected():
        return [s["ph/n"] for s in map(said, listens.heard[1:]) if s["id"] == found["id"]]

    await until(corrected)
    assert corrected() == [7]


async def test_without_being_asked_for_no_roll_up_waits(broker, program):
    one = await program()
    now = one.clock.now()
    for s in range(0, 200, 20):
        stamp = Stamp(now.at_ms + s * 1000, now.mono_ns + s * 10**9)
        await one.writer.add(Reading("kitchen", stamp, {"ph": 7.0}))
    await one.writer.flush()
    with Outbox.open(one.writer.path) as outbox:
        assert outbox.take("mqtt") == []
