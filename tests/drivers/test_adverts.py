"""The driver for broadcasts, over a Bluetooth that is in memory: what is news, whose it is, keys."""

from __future__ import annotations

import asyncio
from contextlib import asynccontextmanager

import pytest
from pydantic import ValidationError

from acquire.clock import SystemClock
from acquire.config import meter as meter_table
from acquire.errors import ConfigError, MeterLost, MeterUnavailable
from acquire.readings import Flag
from acquire.registry import driver_class
from acquire.validation import from_pydantic
from drivers.adverts import CHECK_S, Adverts
from drivers.ble_find import look_around
from drivers.ble_link import Mailbox, scan
from drivers.ble_radio import BleakRadio
from drivers.codecs.gatt_formats import uuid_text
from simulators.ble_memory import Air
from simulators.ble_peripheral import Peripheral
from simulators.ble_speech import ble_meter, send_bthome
from tests.shown import SHOWN

ADDRESS = "C0:FF:EE:00:00:01"
KEY = "231d39c1d7cc1ab1aee224cd096db932"
WATER = {**SHOWN, "orp": -215.0}
PLAIN = """
driver = "adverts"
[advert]
kind = "service"
uuid = "AA01"
repeat_s = 5.0
[quantities.ph]
at = 0
type = "uint16"
order = "big"
factor = 0.01
unit = "pH"
resolution = 0.01
"""


def settings(profile, base=None, **more):
    table = {"profile": str(profile), "address": ADDRESS, **more}
    return Adverts.Settings.model_validate(table, context={"base": base})


def radio_of(air):
    return BleakRadio(scanner=air.scanner, client=air.client, adapter=air.adapter)


@asynccontextmanager
async def listening(air, made, clock=None):
    driver = Adverts(made, meter="bench", clock=clock or SystemClock(), radio=radio_of(air))
    async with driver.open() as readings:
        yield driver, readings


async def soon(readings):
    async with asyncio.timeout(2):
        return await anext(readings)


async def silence(readings):
    """Whether nothing comes in a moment."""
    waiting = asyncio.ensure_future(anext(readings))
    for _ in range(20):
        await asyncio.sleep(0)
    is_silent = not waiting.done()
    waiting.cancel()
    await asyncio.gather(waiting, return_exceptions=True)
    return is_silent


@pytest.mark.parametrize("profile", ["broadcast", "bthome"])
async def test_what_is_broadcast_becomes_a_reading(profile):
    meter = ble_meter(profile)
    async with listening(Air(meter.peripheral), settings(profile)) as (driver, readings):
        meter.say(WATER)
        reading = await soon(readings)
        meter.say({**WATER, "conductivity": 513.0})
        assert (await soon(readings)).values["conductivity"] == 513.0
    measured = {channel.quantity for channel in driver.channels}
    assert reading.values == {name: WATER[name] for name in measured}
    assert driver.identity == ADDRESS
    assert driver.bad_frames == 0


async def test_a_packet_heard_twice_is_one_reading():
    meter = ble_meter("broadcast")
    async with listening(Air(meter.peripheral), settings("broadcast")) as (_, readings):
        meter.say(WATER)
        for _ in range(5):
            meter.peripheral.advertise()
        await soon(readings)
        assert await silence(readings)


async def test_the_same_value_under_a_new_packet_number_is_a_new_reading():
    meter = ble_meter("broadcast")
    async with listening(Air(meter.peripheral), settings("broadcast")) as (_, readings):
        meter.say(WATER)
        meter.say(WATER)
        assert (await soon(readings)).values == (await soon(readings)).values


async def test_a_probe_at_rest_without_packet_numbers_is_still_heard(tmp_path, fake_clock):
    path = tmp_path / "plain.toml"
    path.write_text(PLAIN)
    peripheral = Peripheral(ADDRESS)
    data = {uuid_text(0xAA01): b"\x02\xbd"}
    times = []
    async with listening(Air(peripheral), settings(path), fake_clock) as (_, readings):
        waiting = asyncio.ensure_future(soon(readings))
        for _ in range(12):
            peripheral.advertise(service_data=data)
            await fake_clock.settle()
            if waiting.done():
                times.append(waiting.result().stamp.t_s)
                assert waiting.result().values == {"ph": 7.01}
                waiting = asyncio.ensure_future(soon(readings))
            await fake_clock.advance(1.0, step_s=0.5)
        waiting.cancel()
        await asyncio.gather(waiting, return_exceptions=True)
    assert times == pytest.approx([1000.0, 1005.0, 1010.0])


async def test_what_the_system_tells_from_memory_is_no_reading(tmp_path, fake_clock):
    path = tmp_path / "plain.toml"
    path.write_text(PLAIN)
    peripheral = Peripheral(ADDRESS)
    async with listening(Air(peripheral), settings(path), fake_clock) as (_, readings):
        peripheral.advertise(service_data={uuid_text(0xAA01): b"\x02\xbd"})
        await soon(readings)
        peripheral.rssi = -127  # bleak's word for not known
        await fake_clock.advance(60.0)
        peripheral.advertise()
        assert await silence(readings)


async def test_other_senders_other_companies_and_other_bytes_are_not_ours():
    meter, stranger = ble_meter("broadcast"), ble_meter("broadcast", "C0:FF:EE:00:00:02")
    air = Air(meter.peripheral, stranger.peripheral)
    async with listening(air, settings("broadcast")) as (driver, readings):
        stranger.say({**WATER, "ph": 1.0})
        meter.peripheral.advertise(manufacturer={0xFFFE: b"\x4f\x5a" + bytes(16)})
        meter.peripheral.advertise(manufacturer={0xFFFF: b"\x00\x00" + bytes(16)})
        meter.say(WATER)
        assert (await soon(readings)).values == WATER
    assert driver.bad_frames == 0


async def test_a_bad_advert_is_counted_once_however_often_it_is_heard():
    meter = ble_meter("broadcast")
    async with listening(Air(meter.peripheral), settings("broadcast")) as (driver, readings):
        for _ in range(5):
            meter.peripheral.advertise(manufacturer={0xFFFF: b"\x4f\x5a\x01"})
        meter.say({**WATER, "ph": "OR"})
        assert (await soon(readings)).flags == {"ph": Flag.OVER_RANGE}
    assert driver.bad_frames == 1


@pytest.fixture
def sealed(tmp_path):
    """Settings with a key in a file."""
    secret(tmp_path / "probe.key", f"{KEY}\n")
    return settings("bthome", tmp_path, key_file="probe.key")


async def test_an_encrypted_advert_is_read_with_the_key(sealed):
    peripheral = Peripheral(ADDRESS)
    async with listening(Air(peripheral), sealed) as (_, readings):
        send_bthome(peripheral, WATER, 7, key=bytes.fromhex(KEY))
        reading = await soon(readings)
    assert reading.values == {"conductivity": 512.0, "temperature": 21.4}


async def test_an_old_advert_played_back_is_no_reading(sealed):
    peripheral = Peripheral(ADDRESS)
    async with listening(Air(peripheral), sealed) as (driver, readings):
        for counter in (7, 8):
            send_bthome(peripheral, WATER, counter, key=bytes.fromhex(KEY))
            await soon(readings)
        send_bthome(peripheral, WATER, 7, key=bytes.fromhex(KEY))
        assert await silence(readings)
    assert driver.bad_frames == 1


async def test_plain_or_wrongly_sealed_adverts_are_not_believed(sealed):
    peripheral = Peripheral(ADDRESS)
    async with listening(Air(peripheral), sealed) as (driver, readings):
        send_bthome(peripheral, WATER, 7)
        send_bthome(peripheral, WATER, 8, key=bytes(16))
        assert await silence(readings)
    assert driver.bad_frames == 2


def test_a_key_may_stand_in_the_environment(monkeypatch):
    monkeypatch.setenv("PROBE_KEY", KEY.upper())
    assert settings("bthome", key_env="PROBE_KEY").key == bytes.fromhex(KEY)


def refusal(**more):
    with pytest.raises((ConfigError, ValidationError)) as caught:
        settings(**{"profile": "bthome", **more})
    error = caught.value
    if isinstance(error, ValidationError):
        error = from_pydantic(error, model=Adverts.Settings)
    return str(error)


def secret(path, text):
    path.write_text(text)
    path.chmod(0o600)


def test_a_key_that_everybody_may_read_is_refused(tmp_path):
    (tmp_path / "probe.key").write_text(KEY)
    (tmp_path / "probe.key").chmod(0o644)
    said = refusal(base=tmp_path, key_file="probe.key")
    assert "everybody" in said
    assert "chmod 600" in said
    assert KEY not in said


def test_a_key_that_is_none_is_refused_and_not_shown(tmp_path, monkeypatch):
    secret(tmp_path / "short.key", "abcdef0123")
    said = refusal(base=tmp_path, key_file="short.key")
    assert "key_file" in said
    assert "32 hexadecimal digits" in said
    assert "abcdef0123" not in said
    assert "cannot be read" in refusal(base=tmp_path, key_file="none.key")
    assert "no such environment variable" in refusal(key_env="NO_SUCH_KEY")
    monkeypatch.setenv("PROBE_KEY", KEY)
    secret(tmp_path / "probe.key", KEY)
    assert "two keys" in refusal(base=tmp_path, key_file="probe.key", key_env="PROBE_KEY")
    assert "never encrypted" in refusal(profile="broadcast", key_env="PROBE_KEY")
    uuid = "a1f71520-c219-4d5c-9d3f-dd6a6c2e6a60"
    assert "device's own address" in refusal(address=uuid, key_env="PROBE_KEY")
    found = settings("bthome", address=uuid, mac=ADDRESS, key_env="PROBE_KEY")
    assert found.nonce_address.hex() == "c0ffee000001"


def test_the_key_is_never_shown_with_the_settings(sealed):
    assert KEY not in repr(sealed)
    assert KEY not in str(sealed.model_dump())


PH = '[quantities.ph]\nunit = "pH"\nresolution = 0.01\n'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (f'[advert]\nkind = "bthome"\n{PH}', ["quantities.ph.object", "0x56"]),
        (f'[advert]\nkind = "bthome"\n{PH}object = 0xEE', ["no object of BTHome"]),
        (f'[advert]\nkind = "bthome"\n{PH}object = 2\nat = 3', ["says itself where"]),
        (
            (
                f'[advert]\nkind = "bthome"\n{PH}object = 2\n[quantities.temperature]\nobject = 2\n'
                'unit = "Cel"\nresolution = 1'
            ),
            ["this object is ph already"],
        ),
        (f'[advert]\nkind = "manufacturer"\n{PH}type = "uint8"', ["company"]),
        (f'[advert]\nkind = "smoke"\n{PH}type = "uint8"', ["kind", "bthome"]),
        (f'[advert]\nkind = "manufacturer"\ncompany = 1\n{PH}', ["quantities.ph.type"]),
        (
            f'[advert]\nkind = "manufacturer"\ncompany = 1\n{PH}object = 2\ntype = "uint8"',
            ["only BTHome has objects"],
        ),
        (
            f'[advert]\nkind = "manufacturer"\ncompany = 1\nprefix = "4f5"\n{PH}type = "uint8"',
            ["prefix", "not hexadecimal"],
        ),
        (
            f'[advert]\nkind = "manufacturer"\ncompany = 1\nlength = 4\n{PH}type = "uint32"\nat = 1',
            ["quantities.ph.at", "0 to 0"],
        ),
        (
            (
                '[advert]\nkind = "manufacturer"\ncompany = 1\nlength = 4\npacket_id = { at = 4 }\n'
                f'{PH}type = "uint8"'
            ),
            ["advert.packet_id", "0 to 3"],
        ),
    ],
)
def test_a_profile_that_cannot_work_is_refused_with_key_and_choices(text, words, tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(f'driver = "adverts"\n{text}\n')
    said = refusal(profile=path)
    for word in words:
        assert word in said


def test_a_key_with_a_fault_is_named_in_the_configuration(tmp_path):
    table = {"driver": "adverts", "profile": "bthome", "address": ADDRESS, "key_file": "none.key"}
    with pytest.raises(ConfigError) as caught:
        meter_table("kitchen", table, tmp_path / "ouzel.toml")
    assert caught.value.key == "meters.kitchen.key_file"


def test_without_the_packages_the_extra_is_named(monkeypatch, sealed):
    for missing in ("bleak", "cryptography"):
        monkeypatch.setattr(
            "drivers.ble_link.find_spec", lambda name, missing=missing: name != missing or None
        )
        with pytest.raises(ConfigError, match=missing):
            Adverts(sealed, meter="bench", clock=SystemClock())


def test_the_driver_is_found_by_its_name():
    assert driver_class("adverts") is Adverts


async def test_an_adapter_switched_off_is_noticed_without_a_word_of_it(fake_clock):
    meter = ble_meter("broadcast")
    air = Air(meter.peripheral)
    made = settings("broadcast")
    async with listening(air, made, fake_clock) as (driver, readings):
        meter.say(WATER)
        await soon(readings)
        air.switch(on=False)
        waiting = asyncio.ensure_future(soon(readings))
        await fake_clock.advance(CHECK_S + 0.5)
        with pytest.raises(MeterLost, match="switched off"):
            await waiting
    with pytest.raises(MeterUnavailable, match="switched off"):
        async with driver.open():
            pass
    air.switch(on=True)
    async with driver.open() as readings:
        meter.say(WATER)
        assert (await soon(readings)).values == WATER


async def test_silence_alone_is_no_loss(fake_clock):
    """How long is too long is for the supervision to say."""
    air = Air()
    async with listening(air, settings("broadcast"), fake_clock) as (_, readings):
        waiting = asyncio.ensure_future(anext(readings))
        await fake_clock.advance(60.0)
        assert not waiting.done()
        waiting.cancel()
        await asyncio.gather(waiting, return_exceptions=True)


async def test_find_shows_the_strongest_of_those_it_knows_first():
    known = [
        ble_meter(name, f"C0:FF:EE:00:00:0{n}") for n, name in enumerate(("broadcast", "bthome"))
    ]
    stranger = Peripheral("C0:FF:EE:00:00:09", rssi=-30)
    for one in known:
        one.say(WATER)
    known[1].peripheral.rssi = -40
    air = Air(stranger, *(one.peripheral for one in known))
    told = []
    found = await look_around(radio_of(air), 0.03, told.append)
    assert [one.address[-1] for one in found] == ["1", "0", "9"]
    assert [one.rssi for one in found] == [-40, -60, -30]
    assert 'profile = "bthome"' in found.devices[0].advice
    assert found.devices[2].advice == ""
    assert len(told) == 3


async def test_find_says_that_an_encrypted_probe_needs_its_key():
    peripheral = Peripheral(ADDRESS, "7 sealed")
    send_bthome(peripheral, WATER, 1, key=bytes.fromhex(KEY))
    (found,) = await look_around(radio_of(Air(peripheral)), 0.03)
    assert found.services == ("BTHome, encrypted",)
    assert found.advice.startswith("[meters.NAME]\n")
    assert "key_file" in found.advice


async def test_find_without_the_package_says_how_to_get_it(monkeypatch):
    monkeypatch.setattr("drivers.ble_link.find_spec", lambda name: None)
    scanned = await scan(0.01)
    assert list(scanned) == []
    assert "pip install 'bleak" in scanned.problem


async def test_find_without_an_adapter_says_so():
    air = Air()
    air.switch(on=False)
    assert "switched off" in (await scan(0.01, radio=radio_of(air))).problem


async def test_a_mailbox_gives_what_came_before_its_end():
    box = Mailbox[int](2)
    for number in range(3):
        box.put(number)
    box.end("over")
    box.put(9)
    assert [await box.take(), await box.take()] == [1, 2]
    assert box.dropped == 1
    with pytest.raises(MeterLost, match="over"):
        await box.take()
