"""What can go wrong with a link, each against the backend that ouzel runs on Linux."""

from __future__ import annotations

import asyncio
import gc

import pytest

from acquire.clock import SystemClock
from acquire.errors import MeterLost, MeterUnavailable, Unavailable
from acquire.meter import Backoff, supervise
from acquire.readings import Event, Reading
from drivers import ble_radio, ble_scan


async def lost(readings):
    """Wait for the loss and give its words."""
    try:
        async with asyncio.timeout(5):
            while True:
                await anext(readings)
    except MeterLost as error:
        return str(error)


async def refused(driver):
    """Try to open it and give why that does not work."""
    with pytest.raises(MeterUnavailable) as caught:
        async with asyncio.timeout(5), driver.open():
            pytest.fail("it opened")
    return caught.value


async def test_a_lost_link_says_so_and_the_next_one_is_subscribed_anew(world):
    meter = world.meter()
    driver = world.driver(meter)
    for _ in range(3):
        async with driver.open() as readings:
            assert (await world.next(readings, meter)).values == world.water
            meter.peripheral.drop()
            assert "the link was lost" in await lost(readings)


async def test_what_had_come_before_the_loss_is_still_given(world):
    meter = world.meter()
    driver = world.driver(meter)
    async with driver.open() as readings:
        meter.say(world.water)
        meter.peripheral.drop()
        assert (await world.next(readings)).values == world.water
        await lost(readings)


async def test_a_hundred_losses_leave_no_connection_descriptor_or_task(world):
    meter = world.meter()
    driver = world.driver(meter)

    async def lose_one() -> None:
        async with driver.open() as readings:
            await world.next(readings, meter)
            meter.peripheral.drop()
            await lost(readings)

    await a_hundred_leave_nothing(world, lose_one)


async def a_hundred_leave_nothing(world, lose_one):
    async def held():
        gc.collect()
        return await world.connections(), world.descriptors(), len(asyncio.all_tasks())

    await lose_one()  # what is made once and stays is made by the first
    before = await held()
    for _ in range(100):
        await lose_one()
    assert await held() == before


async def test_a_hundred_crashes_under_a_listener_leave_nothing_either(world):
    meter = world.meter("broadcast")
    driver = world.driver(meter, "broadcast")

    async def lose_one() -> None:
        async with world.opened(driver) as readings:
            await world.next(readings, meter)
            await world.bluez.crash()
            await world.bluez.start()

    await a_hundred_leave_nothing(world, lose_one)


async def test_a_service_that_stops_is_a_loss_and_one_that_is_back_is_used(world):
    meter = world.meter()
    driver = world.driver(meter)
    async with driver.open() as readings:
        await world.next(readings, meter)
        await world.bluez.stop()
        await lost(readings)
    assert "Bluetooth" in str(await refused(driver))
    await world.bluez.start()
    async with world.opened(driver) as readings:
        await world.next(readings, meter)


async def test_a_service_that_crashes_is_noticed_by_silence_and_found_again(world):
    """No signal comes and bleak still believes in the link: only the data stop."""
    meter = world.meter()
    driver = world.driver(meter)
    heard: list[Reading | Event] = []

    async def publish(item: Reading | Event) -> None:
        heard.append(item)

    def count(kind: str) -> int:
        return sum(isinstance(item, Event) and item.kind == kind for item in heard)

    async def speak() -> None:
        while True:
            meter.say(world.water)
            await asyncio.sleep(0.02)

    task = asyncio.create_task(
        supervise(
            driver,
            meter="bench",
            clock=SystemClock(),
            publish=publish,
            silence_s=0.3,
            backoff=Backoff(0.02, 0.05),
        )
    )
    talk = asyncio.create_task(speak())
    try:
        await world.until(lambda: len(heard) > 3)
        await world.bluez.crash()
        await world.until(lambda: count("meter_lost") == 1)
        await world.bluez.start()
        await world.until(lambda: count("meter_back") == 1)
    finally:
        task.cancel()
        talk.cancel()
        await asyncio.gather(task, talk, return_exceptions=True)


async def test_the_death_of_the_message_bus_is_a_loss_and_its_return_is_used(world):
    meter = world.meter()
    driver = world.driver(meter)
    async with driver.open() as readings:
        await world.next(readings, meter)
        await world.bus.kill()
        await lost(readings)
    why = await refused(driver)
    assert why.reason is Unavailable.MISSING
    assert "D-Bus" in str(why)
    await world.bluez.crash()
    await world.bus.start()
    await world.bluez.start()
    async with world.opened(driver) as readings:
        await world.next(readings, meter)


async def test_the_message_bus_dies_during_a_read(world):
    """Then bleak lets a bare EOFError or OSError out."""
    meter = world.meter()
    driver = world.driver(meter, more=READ, reads=True)
    async with driver.open() as readings:
        await world.next(readings)
        world.bluez.is_hung = True
        waiting = asyncio.create_task(lost(readings))
        await asyncio.sleep(0.05)
        await world.bus.kill()
        await waiting


READ = """
[link]
search_s = 2.0
connect_s = 2.0
timeout_s = 2.0
interval_s = 0.05
"""


async def test_an_adapter_switched_off_says_so_and_recovers_once_it_is_on(world):
    meter = world.meter()
    driver = world.driver(meter)
    async with driver.open() as readings:
        await world.next(readings, meter)
        world.bluez.switch(on=False)
        await lost(readings)
    for _ in range(2):
        assert "Bluetooth is switched off" in str(await refused(driver))
    world.bluez.switch(on=True)
    async with world.opened(driver) as readings:
        await world.next(readings, meter)


async def test_an_adapter_switched_off_ends_listening_too(world, fake_clock):
    """The scan tells nobody of its end; the driver looks for itself."""
    meter = world.meter("broadcast")
    driver = world.driver(meter, "broadcast", clock=fake_clock)
    async with driver.open() as readings:
        await world.next(readings, meter)
        world.bluez.switch(on=False)
        waiting = asyncio.create_task(lost(readings))
        while not waiting.done():
            await fake_clock.advance(1.0)
            await asyncio.sleep(0.002)
        assert "switched off" in await waiting
    assert "switched off" in str(await refused(driver))
    world.bluez.switch(on=True)
    async with world.opened(driver) as readings:
        await world.next(readings, meter)


async def test_a_refused_connection_is_explained_and_the_next_one_works(world):
    meter = world.meter()
    driver = world.driver(meter)
    meter.peripheral.refusals = 1
    why = str(await refused(driver))
    assert meter.peripheral.address in why
    assert "refused" in why
    async with driver.open() as readings:
        await world.next(readings, meter)


async def test_tries_that_bleak_repeats_are_no_losses(world):
    meter = world.meter()
    driver = world.driver(meter)
    meter.peripheral.aborts = 3
    async with driver.open() as readings:
        await world.next(readings, meter)
        await world.next(readings, meter)
    assert meter.peripheral.aborts == 0


async def test_a_meter_that_does_not_connect_in_time_leaves_nothing_behind(world):
    meter = world.meter()
    driver = world.driver(meter, more="[link]\nconnect_s = 0.05\n")
    async with world.driver(meter).open():
        pass
    before = await world.connections()
    meter.peripheral.is_slow = True
    assert "does not connect within 0.05 s" in str(await refused(driver))
    assert await world.connections() == before
    meter.peripheral.is_slow = False
    async with world.driver(meter).open() as readings:
        await world.next(readings, meter)


async def test_giving_up_while_connecting_leaves_nothing_behind(world):
    meter = world.meter()
    driver = world.driver(meter)
    async with driver.open():
        pass
    before = await world.connections(), len(asyncio.all_tasks())
    meter.peripheral.is_slow = True
    for turns in (0, 1, 3, 10, 30, 60):
        task = asyncio.create_task(refused(driver))
        for _ in range(turns):
            await asyncio.sleep(0.0005)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    meter.peripheral.is_slow = False
    await world.until(lambda: len(asyncio.all_tasks()) == before[1])
    assert await world.connections() == before[0]
    async with driver.open() as readings:
        await world.next(readings, meter)


async def test_a_device_that_was_forgotten_is_found_by_its_address(world):
    meter = world.meter()
    driver = world.driver(meter)
    async with driver.open() as readings:
        await world.next(readings, meter)
        world.bluez.forget(meter.peripheral)
        await lost(readings)
    async with driver.open() as readings:
        await world.next(readings, meter)


async def test_a_link_left_by_a_crashed_program_is_taken_over(world, monkeypatch):
    """Such a device is silent: nothing would ever be heard of it."""
    monkeypatch.setattr(ble_radio, "_SILENT_S", 0.02)
    meter = world.meter()
    world.bluez.hold(meter.peripheral)
    driver = world.driver(meter)
    async with driver.open() as readings:
        await world.next(readings, meter)


async def test_a_meter_out_of_reach_is_named_with_what_to_look_at(world):
    meter = world.meter()
    meter.peripheral.is_on = False
    why = await refused(world.driver(meter, more="[link]\nsearch_s = 0.05\n"))
    assert why.reason is Unavailable.MISSING
    assert meter.peripheral.address in str(why)
    assert "switched on" in str(why)


async def test_a_service_that_hangs_is_no_reason_to_wait_for_ever(world, monkeypatch):
    monkeypatch.setattr(ble_radio, "_CLOSE_S", 0.05)
    monkeypatch.setattr(ble_scan, "_STOP_S", 0.05)
    meter = world.meter()
    driver = world.driver(
        meter, more=READ.replace("timeout_s = 2.0", "timeout_s = 0.3"), reads=True
    )
    async with driver.open() as readings:
        await world.next(readings, meter)
        world.bluez.is_hung = True
        assert "no answer to a read within 0.3 s" in await lost(readings)
    quick = world.driver(meter, more="[link]\nsearch_s = 0.05\n")
    assert "0.05 s" in str(await refused(quick))
    world.bluez.is_hung = False


async def test_a_scan_gone_deaf_is_renewed_by_the_next_who_listens(world, monkeypatch):
    """The service was restarted, another meter still holds the scan it had."""
    silent, meter = world.meter("broadcast"), world.meter("broadcast")
    silent.peripheral.is_on = False
    monkeypatch.setattr(ble_scan, "DEAF_S", 0.0)
    async with world.driver(silent, "broadcast").open():
        await world.bluez.crash()
        await world.bluez.start()
        async with world.opened(world.driver(meter, "broadcast")) as readings:
            await world.next(readings, meter)


async def test_without_a_message_bus_the_words_say_so(world, monkeypatch):
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/nonexistent/bus")
    why = await refused(world.driver(world.meter()))
    assert "D-Bus" in str(why)
