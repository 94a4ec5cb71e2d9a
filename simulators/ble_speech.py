"""What simulated Bluetooth meters say: one block of bytes, self-described values, adverts.

All are of our own making, with random UUIDs, and company identifier 0xFFFF, which is set aside for
tests. The profiles of the same names under `drivers/profiles` read them.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from acquire.clock import Clock
from acquire.errors import ConfigError
from drivers.codecs.adverts import BTHOME_UUID, write_bthome
from drivers.codecs.dialects import OVER_RANGE
from drivers.codecs.gatt_formats import uuid_text
from drivers.codecs.numbers import BY_NAME, encode_number
from simulators.ble_peripheral import Characteristic, Peripheral, Service
from simulators.display import Shown

__all__ = ["BLE_DIALECTS", "COMPANY", "PACKED", "PREFIX", "BleMeter", "ble_meter", "pack"]
__all__ += ["send_bthome", "speak"]

COMPANY = 0xFFFF
PREFIX = b"\x4f\x5a"
PACKED_SERVICE = "4c72e9a2-b27c-4ea8-906f-b3b91217eb6d"
PACKED = "0161820a-487a-4b75-b5a2-d56183ba2f90"
DESCRIBED_SERVICE = "6b94af26-122d-46d0-82e9-a6d27ef49554"

# Name, type, step, in the order of the bytes behind the counter; salinity in g/kg.
_PACKED = (
    ("ph", "uint16", 0.01),
    ("orp", "sint16", 1.0),
    ("conductivity", "uint24", 1.0),
    ("tds", "uint16", 1.0),
    ("salinity", "uint16", 0.1),
    ("specific_gravity", "uint16", 0.001),
    ("temperature", "sint16", 0.1),
)
# Quantity, UUID, type, exponent, SIG unit, description; in siemens conductivity is per centimetre.
_DESCRIBED = (
    ("ph", "f47deaa4-a25d-4521-867b-bc10db6de293", "uint16", -2, 0x2700, "pH"),
    ("orp", "be1e46cf-3ac1-4fd8-acf1-d7a5061fdd40", "sint16", -3, 0x2728, "ORP"),
    (
        "conductivity",
        "94ce4050-faec-4319-8beb-8670e9e1d756",
        "uint24",
        -6,
        0x272B,
        "Conductivity, S/cm at 25 degrees",
    ),
    ("tds", "d0fc0e3f-a14a-41b2-99f6-26fe20676af4", "uint16", 0, 0x27C4, "TDS"),
    ("salinity", "9766a35e-0f1e-44e2-89eb-220cb1c84161", "uint16", -1, 0x27AE, "Salinity"),
    (
        "specific_gravity",
        "72d59559-43a1-4db3-afb5-aa4b9cc78e58",
        "uint16",
        -3,
        0x2700,
        "Specific gravity",
    ),
)
_TEMPERATURE = uuid_text(0x2A6E)
_PER_STEP = {"ph": 100.0, "salinity": 10.0, "specific_gravity": 1000.0}


def pack(shown: Shown, counter: int) -> bytes:
    """Write sixteen bytes: a counter, then seven numbers.

    The largest number of a type means no reading, the one below it over range.
    """
    block = bytearray((counter & 0xFF,))
    for name, kind_name, step in _PACKED:
        kind, value = BY_NAME[kind_name], shown.get(name)
        top = (1 << (kind.bits - (kind.kind == "signed"))) - 1
        if value is None or isinstance(value, str):
            block += encode_number(top - 1 if value == OVER_RANGE else top, kind)
        else:
            block += encode_number(value / step, kind)
    return bytes(block)


class BleMeter:
    """A simulated meter on Bluetooth: `say` sends what the display shows."""

    def __init__(
        self, peripheral: Peripheral, send: Callable[[Peripheral, Shown, int], None]
    ) -> None:
        self.peripheral = peripheral
        self._send = send
        self._counter = 0

    def say(self, shown: Shown) -> None:
        self._counter += 1
        self._send(self.peripheral, shown, self._counter)


@dataclass(frozen=True, slots=True)
class BleDialect:
    """How a kind of meter is made and what it does with what its display shows."""

    driver: str
    profile: str
    services: Callable[[], list[Service]]
    send: Callable[[Peripheral, Shown, int], None]


def _information() -> Service:
    texts = {0x2A29: "Ouzel test works", 0x2A24: "Dipper", 0x2A25: "A-0007", 0x2A26: "1.2"}
    found = [Characteristic(uuid_text(n), ("read",), text.encode()) for n, text in texts.items()]
    return Service(uuid_text(0x180A), found)


def _battery() -> Service:
    level = Characteristic(uuid_text(0x2A19), ("read", "notify"), bytes((87,)))
    return Service(uuid_text(0x180F), [level])


def _packed_services() -> list[Service]:
    block = Characteristic(PACKED, ("read", "notify"), pack({}, 0))
    return [_information(), _battery(), Service(PACKED_SERVICE, [block])]


def _described_services() -> list[Service]:
    own = [
        Characteristic(
            uuid,
            ("read", "notify"),
            bytes(BY_NAME[kind].size),
            text,
            struct.pack("<BbHBH", BY_NAME[kind].code, exponent, unit, 1, 1),
        )
        for _, uuid, kind, exponent, unit, text in _DESCRIBED
    ]
    temperature = Characteristic(_TEMPERATURE, ("read", "notify"), b"\x00\x80", "Water temperature")
    return [_information(), _battery(), Service(DESCRIBED_SERVICE, [*own, temperature])]


def _send_packed(peripheral: Peripheral, shown: Shown, counter: int) -> None:
    peripheral.advertise()
    peripheral.notify(PACKED, pack(shown, counter))


def _send_described(peripheral: Peripheral, shown: Shown, _counter: int) -> None:
    """Notify each value that is a number; there is no pattern that says "none"."""
    peripheral.advertise()
    for name, uuid, kind, _exponent, _unit, _text in _DESCRIBED:
        value = shown.get(name)
        if isinstance(value, float | int):
            peripheral.notify(uuid, encode_number(value * _PER_STEP.get(name, 1.0), BY_NAME[kind]))
    value = shown.get("temperature")
    number = value * 100.0 if isinstance(value, float | int) else -32768.0
    peripheral.notify(_TEMPERATURE, encode_number(number, BY_NAME["sint16"]))


def _send_broadcast(peripheral: Peripheral, shown: Shown, counter: int) -> None:
    peripheral.advertise(manufacturer={COMPANY: PREFIX + pack(shown, counter)})


def send_bthome(peripheral: Peripheral, shown: Shown, counter: int, *, key: bytes = b"") -> None:
    """Send what the format has objects for: conductivity and temperature."""
    objects: list[tuple[int, float]] = [(0x00, counter & 0xFF)]
    for number, name in ((0x45, "temperature"), (0x56, "conductivity")):
        value = shown.get(name)
        if isinstance(value, float | int):
            objects.append((number, value))
    address = bytes.fromhex(peripheral.address.replace(":", ""))
    data = write_bthome(objects, address=address, key=key, counter=counter)
    peripheral.advertise(service_data={uuid_text(BTHOME_UUID): data})


def _nothing() -> list[Service]:
    return []


BLE_DIALECTS: Mapping[str, BleDialect] = MappingProxyType(
    {
        "packed": BleDialect("gatt", "packed", _packed_services, _send_packed),
        "described": BleDialect("gatt", "described", _described_services, _send_described),
        "broadcast": BleDialect("adverts", "broadcast", _nothing, _send_broadcast),
        "bthome": BleDialect("adverts", "bthome", _nothing, send_bthome),
    }
)


def ble_meter(name: str, address: str = "C0:FF:EE:00:00:01") -> BleMeter:
    """Make the meter that speaks this dialect; ConfigError names those there are."""
    if name not in BLE_DIALECTS:
        raise ConfigError("unknown dialect", found=name, allowed=", ".join(BLE_DIALECTS))
    dialect = BLE_DIALECTS[name]
    services = dialect.services()
    return BleMeter(Peripheral(address, f"Dipper {name}", services), dialect.send)


async def speak(
    meter: BleMeter, show: Callable[[], Shown], *, clock: Clock, rate_hz: float = 1.0
) -> None:
    """Say what `show` gives, at the rate, until cancelled."""
    start_s, turn = clock.now().t_s, 0
    while True:
        meter.say(show())
        turn = max(turn, int((clock.now().t_s - start_s) * rate_hz)) + 1
        await clock.sleep(start_s + turn / rate_hz - clock.now().t_s)
