"""Metrics read by the parser of the prometheus client library, the reference for OpenMetrics."""

from __future__ import annotations

import asyncio

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from acquire import config
from acquire.clock import SystemClock
from acquire.outlets.metrics import CONTENT_TYPE, Family, render, water_families
from acquire.outlets.metrics_outlet import MetricsOutlet
from acquire.readings import Event, Flag, Reading, Stamp

AT = Stamp(1_790_000_000_500, 0)


def parsed(text):
    return {family.name: family for family in text_string_to_metric_families(text)}


@pytest.fixture
def outlet():
    return MetricsOutlet(0, config.load(None), SystemClock())


async def test_what_was_heard_is_counted_in_base_units(outlet):
    values = {"ph": 7.01, "orp": 212.0, "conductivity": 489.0, "tds": 244.0, "temperature": 20.5}
    outlet.hear(Reading("kitchen", AT, values))
    outlet.hear(Reading("kitchen", AT, values))
    outlet.hear(Event("bad_frames", AT, "kitchen", "", {"count": 3}))
    outlet.hear(Event("meter_lost", AT, "kitchen"))
    found = parsed(await outlet.text())
    said = {name: [(s.labels, s.value) for s in family.samples] for name, family in found.items()}
    kitchen = {"meter": "kitchen"}
    assert said["ouzel_readings"] == [(kitchen, 2)]
    assert said["ouzel_bad_frames"] == [(kitchen, 3)]
    assert said["ouzel_meter_losses"] == [(kitchen, 1)]
    assert said["ouzel_reading_timestamp_seconds"] == [(kitchen, 1_790_000_000.5)]
    assert said["ouzel_water_ph"] == [(kitchen, 7.01)]
    assert said["ouzel_water_orp_volts"] == [(kitchen, 0.212)]
    assert said["ouzel_water_conductivity_siemens_per_metre"] == [(kitchen, 0.0489)]
    assert said["ouzel_water_temperature_celsius"] == [(kitchen, 20.5)]
    assert found["ouzel_water_orp_volts"].unit == "volts"
    assert found["ouzel_readings"].type == "counter"


async def test_a_value_there_is_none_of_is_left_out(outlet):
    outlet.hear(Reading("kitchen", AT, {"ph": 7.0}))
    outlet.hear(Reading("kitchen", AT, {"ph": float("nan")}, {"ph": Flag.ERROR}))
    assert "ouzel_water_ph" not in parsed(await outlet.text())


async def test_nothing_heard_is_a_valid_text_too(outlet):
    text = await outlet.text()
    assert text.endswith("# EOF\n")
    parsed(text)


@given(st.text(), st.floats(allow_nan=False))
def test_any_label_and_number_come_through(label, value):
    if "\r" in label or not label.isprintable():
        label = label.encode("unicode_escape").decode()
    text = render([Family("ouzel_x", "gauge", "Any.", {(("meter", label),): value})])
    (sample,) = parsed(text)["ouzel_x"].samples
    assert sample.labels == {"meter": label}
    assert sample.value == value


async def test_it_answers_on_this_machine_only_and_only_to_its_own_address(outlet):
    class Heard:
        dropped = 4

        async def __aiter__(self):
            await asyncio.Event().wait()
            yield

    task = asyncio.create_task(outlet.run(Heard()))
    while not outlet.port:  # noqa: ASYNC110
        await asyncio.sleep(0.002)

    async def ask(line):
        reader, writer = await asyncio.open_connection("127.0.0.1", outlet.port)
        writer.write(line + b"\r\nHost: x\r\n\r\n")
        answer = await reader.read()
        writer.close()
        await writer.wait_closed()
        return answer

    answer = await ask(b"GET /metrics HTTP/1.1")
    head, _, body = answer.partition(b"\r\n\r\n")
    assert CONTENT_TYPE.encode() in head
    (sample,) = parsed(body.decode())["ouzel_queue_drops"].samples
    assert sample.value == 4
    assert b"404" in await ask(b"GET /etc/passwd HTTP/1.1")
    assert b"404" in await ask(b"\xff\x00")
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


def test_a_quantity_whose_unit_nobody_knows_is_left_out():
    newest = {("kitchen", "ph"): 7.0, ("kitchen", "flow"): 1.5, ("garden", "ph"): 6.5}
    (family,) = water_families(newest, {"ph": ("pH", 1.0)})
    assert family.name == "ouzel_water_ph"
    assert family.samples == {(("meter", "kitchen"),): 7.0, (("meter", "garden"),): 6.5}
