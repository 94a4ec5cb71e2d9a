"""The same water over every wire: what is captured over Bluetooth is what the text wire gives."""

from __future__ import annotations

import asyncio
import itertools
from contextlib import AsyncExitStack

import pytest

from acquire.bench.taker import CaptureTaker
from acquire.quantities import BUILT_IN
from acquire.readings import Capture, CaptureState
from acquire.settle import Settler
from drivers.adverts import Adverts
from drivers.ble_radio import BleakRadio
from drivers.codecs.dialects import encode_labelled
from drivers.gatt import Gatt
from simulators.ble_memory import Air
from simulators.ble_speech import BLE_DIALECTS, ble_meter
from simulators.hand import Script, Stop
from simulators.probe import Probe
from simulators.run import Rig
from simulators.traits import Bias, Troubles
from simulators.waters import load_waters


def taker_for(driver):
    numbers = itertools.count()
    return CaptureTaker(
        "bench",
        driver.channels,
        lambda channel: Settler(
            BUILT_IN[channel.quantity].tolerance,
            resolution=channel.resolution,
            quantity=channel.quantity,
        ),
        lambda quantity: BUILT_IN[quantity].tolerance,
        new_id=lambda: str(next(numbers)),
        timeout_s=900.0,
    )


@pytest.mark.parametrize("seed", [1])
async def test_a_capture_over_each_wire_agrees_with_the_text_wire(plugged_in, fake_clock, seed):
    start_s = fake_clock.now().t_s
    probe = Probe(seed, start_s=start_s, bias=Bias.drawn(seed), troubles=Troubles.none())
    stop = Stop(water="tap", in_air_s=20, dwell_s=600)
    rig = Rig(probe, Script((stop,)), load_waters(), start_s=start_s)
    async with AsyncExitStack() as stack:
        text = await stack.enter_async_context(plugged_in(clock=fake_clock))
        text.say(b"\r\n")  # what comes first may be the rest of a line: it is dropped
        says = {"labelled": lambda shown: text.say(encode_labelled(shown))}
        reads = {"labelled": (text.driver, text.readings)}
        for number, speaks in enumerate(BLE_DIALECTS):
            meter = ble_meter(speaks, f"C0:FF:EE:00:00:{number:02X}")
            air = Air(meter.peripheral)
            kind = {"gatt": Gatt, "adverts": Adverts}[BLE_DIALECTS[speaks].driver]
            settings = kind.Settings.model_validate(
                {"profile": speaks, "address": meter.peripheral.address}
            )
            radio = BleakRadio(scanner=air.scanner, client=air.client, adapter=air.adapter)
            driver = kind(settings, meter="bench", clock=fake_clock, radio=radio)
            says[speaks] = meter.say
            reads[speaks] = driver, await stack.enter_async_context(driver.open())
        takers = {name: taker_for(driver) for name, (driver, _) in reads.items()}
        captures: dict[str, Capture] = {}
        for _ in range(640):
            await fake_clock.advance(1.0, step_s=1.0)
            shown = rig.display(fake_clock.now().t_s)
            for name, say in says.items():
                say(shown)
                async with asyncio.timeout(2):
                    reading = await anext(reads[name][1])
                for news in takers[name].update(reading):
                    if isinstance(news, Capture):
                        captures[name] = news
    expected = captures["labelled"]
    assert expected.state is CaptureState.FINAL
    assert len(expected.values) == 7
    for name, found in captures.items():
        assert found.state is CaptureState.FINAL, name
        channels = {channel.quantity for channel in reads[name][0].channels}
        assert set(found.values) == channels
        for quantity, value in found.values.items():
            other = expected.values[quantity]
            assert abs(value.value - other.value) <= min(value.expanded_u, other.expanded_u), (
                name,
                quantity,
            )
