"""Readings through the backend that ouzel runs on Linux, and who shares what with whom."""

from __future__ import annotations

import asyncio

import pytest

from acquire.errors import MeterUnavailable, Unavailable
from acquire.readings import Flag
from drivers import ble_link
from drivers.codecs.gatt_formats import uuid_text


@pytest.mark.parametrize("speaks", ["packed", "described", "broadcast", "bthome"])
async def test_every_way_of_speaking_comes_through(world, speaks):
    meter = world.meter(speaks)
    driver = world.driver(meter, speaks)
    async with driver.open() as readings:
        reading = await world.next(readings, meter)
        measured = [channel.quantity for channel in driver.channels]
    assert reading.values == {name: world.water[name] for name in measured}
    assert reading.meter == "bench"
    assert len(measured) == (2 if speaks == "bthome" else 7)


async def test_a_meter_that_describes_itself_gives_its_channels(world):
    meter = world.meter("described")
    driver = world.driver(meter, "described")
    async with driver.open():
        pass
    assert {c.quantity: (c.resolution, c.follows) for c in driver.channels} == {
        "ph": (pytest.approx(0.01), None),
        "orp": (pytest.approx(1.0), None),
        "conductivity": (pytest.approx(1.0), None),
        "tds": (pytest.approx(1.0), "conductivity"),
        "salinity": (pytest.approx(0.1), "conductivity"),
        "specific_gravity": (pytest.approx(0.001), "conductivity"),
        "temperature": (pytest.approx(0.01), None),
    }
    assert driver.identity == f"{meter.peripheral.address} A-0007"
    assert driver.battery_percent == 87


async def test_what_is_subscribed_is_never_read(world):
    """The service tells of each read as a notification too: it would count twice."""
    meter = world.meter()
    async with world.driver(meter).open() as readings:
        before = world.bluez.reads
        for _ in range(5):
            await world.next(readings, meter)
        assert world.bluez.reads == before


async def test_what_is_read_is_not_subscribed_and_counts_once(world):
    meter = world.meter()
    driver = world.driver(meter, more="[link]\ninterval_s = 0.05\n", reads=True)
    async with driver.open() as readings:
        before = world.bluez.reads
        meter.say(world.water)
        values = [(await world.next(readings)).values for _ in range(4)]
        assert world.bluez.reads - before == 4
    assert values == [world.water] * 4
    assert driver.bad_frames == 0


async def test_a_device_has_one_owner(world):
    meter = world.meter()
    async with world.driver(meter).open() as readings:
        with pytest.raises(MeterUnavailable, match="has one owner") as caught:
            async with world.driver(meter).open():
                pass
        assert caught.value.reason is Unavailable.TAKEN
        await world.next(readings, meter)  # the first has not noticed


async def test_meters_that_listen_and_connect_share_one_scan(world):
    """The service refuses a program's second scan."""
    first, second, third = world.meter("broadcast"), world.meter("bthome"), world.meter()

    async def beacon() -> None:
        while True:
            third.peripheral.advertise()
            await asyncio.sleep(0.01)

    async with asyncio.TaskGroup() as group:
        task = group.create_task(beacon())
        await _share(world, first, second, third)
        task.cancel()


async def _share(world, first, second, third):
    async with (
        world.driver(first, "broadcast").open() as broadcast,
        world.driver(second, "bthome").open() as bthome,
        world.driver(third).open() as packed,
    ):
        for readings, meter in ((broadcast, first), (bthome, second), (packed, third)):
            await world.next(readings, meter)
    async with world.driver(first, "broadcast").open() as broadcast:
        await world.next(broadcast, first)


async def test_an_unknown_characteristic_is_answered_with_what_there_is(world, tmp_path):
    profile = tmp_path / "mine.toml"
    profile.write_text(
        'driver = "gatt"\n[quantities.ph]\ncharacteristic = "1234"\ntype = "uint16"\n'
        'unit = "pH"\nresolution = 0.01\n'
    )
    with pytest.raises(MeterUnavailable) as caught:
        async with world.with_profile(world.meter(), profile).open():
            pass
    assert caught.value.reason is Unavailable.SETTINGS
    text = str(caught.value)
    assert "no characteristic 1234" in text
    assert "2A25 (read)" in text
    assert "0161820a-487a-4b75-b5a2-d56183ba2f90 (notify, read)" in text


@pytest.mark.parametrize("code", [0x05, 0x08, 0x0C, 0x0F])
async def test_a_meter_that_wants_to_be_paired_says_so(world, code):
    meter = world.meter()
    for one in meter.peripheral.characteristics:
        one.refuses = code
    with pytest.raises(MeterUnavailable, match="paired") as caught:
        async with world.driver(meter).open():
            pass
    assert caught.value.reason is Unavailable.FORBIDDEN


async def test_the_same_advert_told_again_is_no_second_reading(world):
    meter = world.meter("broadcast")
    async with world.driver(meter, "broadcast").open() as readings:
        await world.next(readings, meter)
        for _ in range(5):
            meter.peripheral.advertise()
        meter.say({**world.water, "ph": "OR"})
        reading = await world.next(readings)
    assert reading.flags == {"ph": Flag.OVER_RANGE}


async def test_find_lists_devices_and_what_to_write(world):
    packed, bthome = world.meter("packed"), world.meter("bthome")
    bthome.say(world.water)
    told = []
    scanned = await ble_link.scan(0.05, told.append)
    assert scanned.problem == ""
    by_address = {one.address: one for one in scanned}
    assert set(by_address) == {packed.peripheral.address, bthome.peripheral.address}
    assert by_address[packed.peripheral.address].advice == (
        "[meters.dipper-packed]\n"
        'driver = "gatt"\nprofile = "packed"\naddress = "C0:FF:EE:00:00:01"\n'
    )
    assert 'profile = "bthome"' in by_address[bthome.peripheral.address].advice
    assert by_address[packed.peripheral.address].rssi == -60
    assert {one.address for one in told} == set(by_address)


async def test_find_without_an_adapter_says_so_and_raises_nothing(world):
    world.bluez.switch(on=False)
    scanned = await ble_link.scan(0.05)
    assert len(scanned) == 0
    assert "switched off" in scanned.problem
    await world.bluez.stop()
    await asyncio.sleep(0.02)
    assert "no Bluetooth adapter" in (await ble_link.scan(0.05)).problem


async def test_an_unknown_device_is_shown_without_advice(world):
    meter = world.meter()
    meter.peripheral.services = ()
    meter.peripheral.name = "\x1b[31mpump\n"
    (found,) = await ble_link.scan(0.05)
    assert found.advice == ""
    assert found.name.isprintable()
    assert uuid_text(0x180A) not in found.services
