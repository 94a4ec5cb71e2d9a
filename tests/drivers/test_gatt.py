"""The driver over a Bluetooth that is in memory: readings, profiles, what is refused and how."""

from __future__ import annotations

import asyncio
import struct
import sys
from contextlib import asynccontextmanager

import pytest
from pydantic import ValidationError

from acquire.clock import SystemClock
from acquire.errors import ConfigError, MeterLost, MeterUnavailable, Unavailable
from acquire.quantities import BUILT_IN, Quantity, Tolerance
from acquire.readings import Flag
from acquire.registry import driver_class
from acquire.validation import from_pydantic
from drivers.ble_radio import BleakRadio
from drivers.codecs.gatt_formats import uuid_text
from drivers.gatt import Gatt
from drivers.gatt_profile import assemble
from simulators.ble_memory import Air
from simulators.ble_peripheral import Characteristic, Peripheral, Service
from simulators.ble_speech import PACKED, ble_meter, pack
from tests.shown import SHOWN

ADDRESS = "C0:FF:EE:00:00:01"
OWN = "a1f71520-c219-4d5c-9d3f-dd6a6c2e6a60"
WATER = {**SHOWN, "orp": -215.0}


def settings(profile, quantities=None, **more):
    table = {"profile": str(profile), "address": ADDRESS, **more}
    return Gatt.Settings.model_validate(table, context={"quantities": quantities or BUILT_IN})


def driver_for(air, profile, clock=None, quantities=None):
    radio = BleakRadio(scanner=air.scanner, client=air.client, adapter=air.adapter)
    made = settings(profile, quantities)
    return Gatt(made, meter="bench", clock=clock or SystemClock(), radio=radio)


@pytest.fixture
def profile(tmp_path):
    """Write a profile and give its path."""

    def write(text):
        path = tmp_path / "mine.toml"
        path.write_text(f'driver = "gatt"\n{text}', encoding="utf-8")
        return path

    return write


def device(*characteristics):
    return Peripheral(ADDRESS, "Dipper", [Service(OWN, characteristics)])


def described(number, text, kind, exponent, unit, can=("read", "notify"), value=b""):
    presentation = struct.pack("<BbHBH", kind, exponent, unit, 1, 0)
    return Characteristic(uuid_text(number), can, value, text, presentation)


@asynccontextmanager
async def opened(peripheral, profile, clock=None, quantities=None):
    driver = driver_for(Air(peripheral), profile, clock, quantities)
    async with driver.open() as readings:
        yield driver, readings


async def soon(readings):
    async with asyncio.timeout(2):
        return await anext(readings)


async def test_a_block_of_bytes_becomes_a_reading():
    meter = ble_meter("packed")
    async with opened(meter.peripheral, "packed") as (driver, readings):
        meter.say(WATER)
        reading = await soon(readings)
    assert reading.values == WATER
    assert reading.flags == {}
    assert reading.raw.startswith("0161820a=01")
    assert {c.quantity: c.reference_c for c in driver.channels}["conductivity"] == 25


async def test_sentinels_are_flags_and_never_values():
    meter = ble_meter("packed")
    async with opened(meter.peripheral, "packed") as (_, readings):
        meter.say({**WATER, "ph": "OR", "orp": None, "temperature": "Err"})
        reading = await soon(readings)
    assert reading.flags == {
        "ph": Flag.OVER_RANGE,
        "orp": Flag.ERROR,
        "temperature": Flag.ERROR,
    }
    assert not set(reading.flags) & set(reading.values)


async def test_a_value_beyond_all_water_is_kept_and_marked():
    meter = ble_meter("packed")
    async with opened(meter.peripheral, "packed") as (_, readings):
        meter.say({**WATER, "ph": 14.5})
        assert (await soon(readings)).flags == {"ph": Flag.IMPLAUSIBLE}


@pytest.mark.parametrize("data", [b"", b"\x01", bytes(15), bytes(17), bytes(200)])
async def test_a_block_of_another_length_is_counted_and_skipped(data):
    meter = ble_meter("packed")
    async with opened(meter.peripheral, "packed") as (driver, readings):
        meter.peripheral.notify(PACKED, data)
        meter.say(WATER)
        assert (await soon(readings)).values == WATER
    assert driver.bad_frames == 1


async def test_notifications_nobody_takes_are_dropped_from_the_oldest():
    meter = ble_meter("packed")
    async with opened(meter.peripheral, "packed") as (_, readings):
        for ph in range(300):
            meter.say({**WATER, "ph": ph / 100})
        found = [await soon(readings) for _ in range(256)]
    assert [found[0].values["ph"], found[-1].values["ph"]] == [0.44, 2.99]


async def test_values_of_one_measurement_are_one_reading(fake_clock):
    meter = ble_meter("described")
    async with opened(meter.peripheral, "described", fake_clock) as (_, readings):
        meter.say(WATER)
        assert (await soon(readings)).values == WATER


async def test_a_measurement_that_lacks_one_is_told_after_a_moment(fake_clock):
    meter = ble_meter("described")
    async with opened(meter.peripheral, "described", fake_clock) as (_, readings):
        meter.say({**WATER, "ph": None})
        waiting = asyncio.ensure_future(soon(readings))
        await fake_clock.advance(0.25, step_s=0.05)
        assert not waiting.done()
        await fake_clock.advance(0.1, step_s=0.05)
        reading = await waiting
    assert set(reading.values) == set(WATER) - {"ph"}
    assert reading.stamp.t_s == pytest.approx(1000.0)  # when its first value came


async def test_the_next_measurement_closes_the_one_before(fake_clock):
    meter = ble_meter("described")
    async with opened(meter.peripheral, "described", fake_clock) as (_, readings):
        meter.say({**WATER, "temperature": None, "tds": None})
        meter.say(WATER)
        first, second = await soon(readings), await soon(readings)
    assert "tds" not in first.values
    assert first.flags == {"temperature": Flag.ERROR}
    assert second.values == WATER


async def test_what_can_only_be_read_is_read_on_schedule(fake_clock, profile):
    one = Characteristic(OWN, ("read",), struct.pack("<h", 2140))
    path = profile(
        "[link]\ninterval_s = 2.0\n"
        f'[quantities.temperature]\ncharacteristic = "{OWN}"\ntype = "sint16"\nfactor = 0.01\n'
        'unit = "Cel"\nresolution = 0.1\n'
    )
    async with opened(device(one), path, fake_clock) as (_, readings):
        times = []
        for _ in range(3):
            waiting = asyncio.ensure_future(soon(readings))
            await fake_clock.settle()
            if not waiting.done():
                await fake_clock.advance(2.0, step_s=0.5)
            reading = await waiting
            times.append(reading.stamp.t_s)
            assert reading.values == {"temperature": 21.4}
    assert times == pytest.approx([1000.0, 1002.0, 1004.0])


async def test_reads_that_are_refused_again_and_again_mean_a_lost_meter(fake_clock, profile):
    one = Characteristic(OWN, ("read",), b"\x00", refuses=0x0E)
    path = profile(
        "[link]\nmissed_answers = 3\n"
        f'[quantities.ph]\ncharacteristic = "{OWN}"\ntype = "uint8"\nunit = "pH"\nresolution = 1\n'
    )
    async with opened(device(one), path, fake_clock) as (driver, readings):
        waiting = asyncio.ensure_future(soon(readings))
        await fake_clock.advance(3.0)
        with pytest.raises(MeterLost, match="3 reads in a row were refused"):
            await waiting
    assert driver.bad_frames == 3


async def test_a_subscription_that_died_alone_is_noticed(fake_clock, profile):
    a = described(0xAA01, "pH", 0x06, -2, 0x2700)
    b = described(0xAA02, "ORP", 0x0E, -3, 0x2728)
    path = profile("self_describing = true\n[link]\nquiet_s = 30.0\n")
    peripheral = device(a, b)
    async with opened(peripheral, path, fake_clock) as (_, readings):
        waiting = asyncio.ensure_future(_until_lost(readings))
        for _ in range(40):
            peripheral.notify(a.uuid, b"\x00\x01")
            await fake_clock.advance(1.0, step_s=0.5)
        assert "AA02 has said nothing for 31 s" in await waiting


async def _until_lost(readings):
    try:
        while True:
            await anext(readings)
    except MeterLost as error:
        return str(error)


async def test_what_the_sig_cannot_say_the_profile_does(profile):
    path = profile(
        "self_describing = true\n"
        '[overrides.ph]\ncharacteristic = "AA01"\nunit = "pH"\nresolution = 0.02\n'
        '[overrides.conductivity]\nunit = "S/m"\ncompensated_to_c = 25\ncoefficient_per_c = 0.019\n'
        "not_a_reading = [0xFFFF]\naccuracy_relative = 0.02\n"
    )
    a = described(0xAA01, "Acidity", 0x06, -2, 0x2700)
    b = described(0xAA02, "Conductivity", 0x06, -4, 0x272B)
    peripheral = device(a, b)
    async with opened(peripheral, path) as (driver, readings):
        channels = {channel.quantity: channel for channel in driver.channels}
        assert channels["ph"].resolution == 0.02
        assert channels["conductivity"].resolution == pytest.approx(1.0)
        assert channels["conductivity"].reference_c == 25
        assert channels["conductivity"].coefficient == 0.019
        for value in (struct.pack("<H", 512), b"\xff\xff"):
            peripheral.notify(a.uuid, struct.pack("<H", 701))
            peripheral.notify(b.uuid, value)
        assert (await soon(readings)).values == {"ph": 7.01, "conductivity": 512.0}
        assert (await soon(readings)).flags == {"conductivity": Flag.ERROR}


async def test_the_temperature_of_the_sig_needs_no_description(profile):
    temperature = Characteristic(uuid_text(0x2A6E), ("notify",))
    peripheral = device(temperature)
    async with opened(peripheral, profile("self_describing = true")) as (driver, readings):
        assert [(c.quantity, c.resolution) for c in driver.channels] == [("temperature", 0.01)]
        peripheral.notify(temperature.uuid, struct.pack("<h", -125))
        peripheral.notify(temperature.uuid, b"\x00\x80")
        assert (await soon(readings)).values == {"temperature": -1.25}
        assert (await soon(readings)).flags == {"temperature": Flag.ERROR}


async def test_a_battery_is_a_quantity_for_those_who_make_it_one(profile):
    table = {
        **BUILT_IN,
        "battery": Quantity("battery", "Battery", "%", "%", 0, 0, 100, Tolerance(1), "%EL"),
    }
    level = Characteristic(uuid_text(0x2A19), ("read", "notify"), b"\x57")
    one = described(0xAA01, "pH", 0x06, -2, 0x2700)
    path = profile("self_describing = true")
    async with opened(device(level, one), path, quantities=table) as (driver, _):
        assert [channel.quantity for channel in driver.channels] == ["battery", "ph"]
        assert driver.battery_percent == 87
    async with opened(device(level, one), path) as (driver, _):
        assert [channel.quantity for channel in driver.channels] == ["ph"]


async def test_of_two_for_one_quantity_the_first_counts_unless_the_profile_says(profile):
    a = described(0xAA01, "Air temperature", 0x0E, -1, 0x272F)
    b = described(0xAA02, "Water temperature", 0x0E, -1, 0x272F)
    for text, wanted in (("", a), ('[overrides.temperature]\ncharacteristic = "AA02"\n', b)):
        peripheral = device(a, b)
        async with opened(peripheral, profile(f"self_describing = true\n{text}")) as (_, readings):
            other = b if wanted is a else a
            peripheral.notify(other.uuid, struct.pack("<h", 300))
            peripheral.notify(wanted.uuid, struct.pack("<h", 214))
            assert (await soon(readings)).values == {"temperature": 21.4}


async def why_not(peripheral, path):
    with pytest.raises(MeterUnavailable) as caught:
        async with opened(peripheral, path):
            pass
    return caught.value


async def test_a_device_that_describes_nothing_usable_says_why(profile):
    peripheral = device(
        described(0xAA01, "Conductivity", 0x06, 0, 0x272B),
        described(0xAA02, "Wind speed", 0x06, 0, 0x2712),
        Characteristic(uuid_text(0xAA03), ("notify",), description="pH"),
    )
    why = await why_not(peripheral, profile("self_describing = true"))
    assert why.reason is Unavailable.SETTINGS
    text = str(why)
    assert "AA01 (Conductivity): conductivity without a unit" in text
    assert "[overrides.conductivity]" in text
    assert "AA02 (Wind speed): it names no quantity" in text
    assert "AA03 (pH): it does not say what its bytes are" in text


async def test_a_description_that_is_none_is_left_out_and_the_rest_is_read(profile):
    bent = described(0xAA01, "pH", 0x06, -2, 0x2700)
    bent.presentation = b"\x1b" + bent.presentation[1:]
    good = described(0xAA02, "ORP", 0x0E, -3, 0x2728)
    async with opened(device(bent, good), profile("self_describing = true")) as (driver, _):
        assert [channel.quantity for channel in driver.channels] == ["orp"]


async def test_a_subscription_that_is_refused_says_why(profile):
    one = described(0xAA01, "pH", 0x06, -2, 0x2700)
    one.refuses = 0x11
    why = await why_not(device(one), profile("self_describing = true"))
    assert why.reason is Unavailable.SETTINGS
    assert "AA01 cannot be subscribed: refused: GATT Protocol Error: Insufficient Resource" in str(
        why
    )


async def test_a_quantity_the_profile_expects_and_the_device_lacks_is_named(profile):
    path = profile('self_describing = true\n[overrides.orp]\nreference_electrode = "she"\n')
    why = str(await why_not(device(described(0xAA01, "pH", 0x06, -2, 0x2700)), path))
    assert "the meter does not offer orp" in why
    assert "ph" in why


async def test_a_unit_of_another_quantity_is_answered_with_those_allowed(profile):
    path = profile('self_describing = true\n[overrides.ph]\nunit = "mV"\n')
    why = str(await why_not(device(described(0xAA01, "pH", 0x06, -2, 0x2700)), path))
    assert "unknown unit for ph" in why


async def test_a_characteristic_that_cannot_be_had_the_wanted_way_is_named(profile):
    path = profile(
        f'[characteristics."{OWN}"]\nget = "notify"\n'
        f'[quantities.ph]\ncharacteristic = "{OWN}"\ntype = "uint8"\nunit = "pH"\nresolution = 1\n'
    )
    why = str(await why_not(device(Characteristic(OWN, ("read",))), path))
    assert "cannot be got by notify; it can: read" in why


def refusal(text, profile):
    with pytest.raises((ConfigError, ValidationError)) as caught:
        settings(profile(text))
    error = caught.value
    return str(from_pydantic(error) if isinstance(error, ValidationError) else error)


PH = f'[quantities.ph]\ncharacteristic = "{OWN}"\nunit = "pH"\nresolution = 0.01\n'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ["quantities", "self_describing = true"]),
        (PH, ["quantities.ph.type", "uint16"]),
        (f'{PH}type = "int99"', ["quantities.ph.type", "unknown type", "sint16"]),
        (PH.replace(OWN, "xyz") + 'type = "uint8"', ["quantities.ph.characteristic", "not a UUID"]),
        (f'{PH}type = "uint8"\nnot_a_reading = [256]', ["not_a_reading", "-128 to 255"]),
        (
            f'{PH}type = "uint8"\nnot_a_reading = [255]\nover_range = [-1]',
            ["two meanings", "over_range"],
        ),
        (f'{PH}type = "uint8"\n[overrides.orp]\nunit = "mV"', ["overrides", "self_describing"]),
        (
            f'self_describing = true\n{PH}type = "uint8"\n[overrides.ph]\nunit = "pH"',
            ["overrides.ph", "described twice"],
        ),
        ("self_describing = true\n[overrides.sparkle]\nfactor = 2", ["overrides.sparkle"]),
        ("self_describing = true\n[overrides.ph]\nfactor = 0", ["overrides.ph.factor", "not 0"]),
        (
            f'{PH}type = "uint16"\nat = 3\n[characteristics."{OWN}"]\nlength = 4',
            ["quantities.ph.at", "0 to 2"],
        ),
        (
            f'{PH}type = "uint16"\n[characteristics."AA01"]\nlength = 4',
            ["characteristics", "AA01"],
        ),
        (f'{PH}type = "uint16"\n[link]\nsearch_s = 0', ["link.search_s"]),
    ],
)
def test_a_profile_that_cannot_work_is_refused_with_key_and_choices(text, words, profile):
    said = refusal(text, profile)
    for word in words:
        assert word in said


@pytest.mark.parametrize("address", ["", "kitchen", "C0:FF:EE:00:00", "C0:FF:EE:00:00:0G"])
def test_what_is_no_address_is_refused(address):
    with pytest.raises(ValidationError, match="not an address"):
        settings("packed", address=address)


def test_an_address_may_be_written_in_small_letters_or_be_that_of_macos():
    assert settings("packed", address="c0:ff:ee:00:00:01").address == ADDRESS
    assert settings("packed", address=OWN).address == OWN.upper()


def test_an_unknown_profile_is_answered_with_those_there_are():
    with pytest.raises(ValidationError) as caught:
        settings("sealed")
    assert "described, packed" in str(from_pydantic(caught.value))


def test_the_shipped_profiles_fit():
    for name in ("packed", "described"):
        assert settings(name).meter.profile.driver == "gatt"
    assert len(assemble(settings("packed").profile_file).channels) == 7


def test_the_block_of_the_simulator_is_as_long_as_the_profile_says():
    table = settings("packed").meter.profile.characteristics[PACKED]
    assert len(pack(WATER, 0)) == table.length


def test_without_bleak_the_extra_is_named(monkeypatch):
    monkeypatch.setattr("drivers.ble_link.find_spec", lambda name: None)
    with pytest.raises(ConfigError, match=r"pip install 'bleak"):
        Gatt(settings("packed"), meter="bench", clock=SystemClock())


def test_the_driver_is_found_by_its_name():
    assert driver_class("gatt") is Gatt


def test_no_bluetooth_library_is_loaded_before_a_connection_is_wanted():
    import subprocess

    code = (
        "import sys; from drivers.gatt import Gatt; from drivers.adverts import Adverts; "
        "assert not {'bleak', 'cryptography', 'dbus_fast'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


async def test_a_meter_whose_adapter_is_off_recovers_when_it_is_on():
    meter = ble_meter("packed")
    air = Air(meter.peripheral)
    driver = driver_for(air, "packed")
    async with driver.open() as readings:
        air.switch(on=False)
        with pytest.raises(MeterLost, match="link was lost"):
            await soon(readings)
    with pytest.raises(MeterUnavailable, match="Bluetooth is switched off"):
        async with driver.open():
            pass
    air.switch(on=True)
    async with driver.open() as readings:
        meter.say(WATER)
        assert (await soon(readings)).values == WATER


async def test_a_meter_out_of_reach_is_waited_for_no_longer_than_told(fake_clock):
    meter = ble_meter("packed")
    meter.peripheral.is_on = False
    driver = driver_for(Air(meter.peripheral), "packed", fake_clock)
    opening = asyncio.ensure_future(driver.open().__aenter__())
    await fake_clock.advance(19.0)
    assert not opening.done()
    await fake_clock.advance(1.5)
    with pytest.raises(MeterUnavailable, match="was not heard of within 20 s"):
        await opening
