"""A profile of a meter that broadcasts its values over Bluetooth LE.

`docs/bluetooth.md` describes every key.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field
from pydantic_core import PydanticCustomError

from acquire.errors import ConfigError
from acquire.quantities import BUILT_IN, Quantity
from acquire.readings import Channel
from acquire.toml_file import read_table
from drivers.byte_measures import ByteMeasures, TypeName, Uuid, place_of
from drivers.codecs.adverts import OBJECTS
from drivers.codecs.layout import Layout, Place
from drivers.codecs.numbers import BY_NAME, ByteOrder
from drivers.measures import Scale, Table, at, channel_of, scale_of

__all__ = ["AdvertMeasures", "AdvertMeter", "AdvertProfile", "BtHome", "Manufacturer"]
__all__ += ["Service", "assemble"]


def _hex(said: object) -> object:
    if not isinstance(said, str):
        return said
    try:
        return bytes.fromhex(said)
    except ValueError as error:
        raise PydanticCustomError(
            "hex", "not hexadecimal", {"allowed": "pairs of hexadecimal digits"}
        ) from error


_Seconds = Annotated[float, Field(ge=0.05, le=86_400)]


class PacketId(Table):
    """packet_id of [advert]: a number in the bytes that changes with every measurement."""

    at: Annotated[int, Field(ge=0, le=511)]
    type: TypeName = "uint8"
    order: ByteOrder = "little"


class _Advert(Table):
    interval_s: Annotated[float, Field(gt=0, le=3600)] = 1.0
    """How rarely it may broadcast and still be well."""
    repeat_s: _Seconds = 5.0
    """The same bytes again after so long are a reading; without a packet number only."""


class BtHome(_Advert):
    """[advert] kind = "bthome": the open format, plain or encrypted."""

    kind: Literal["bthome"]


class _Bytes(_Advert):
    prefix: Annotated[bytes, BeforeValidator(_hex), Field(max_length=31)] = b""
    """What the bytes begin with; others of the same sender are not for us."""
    length: Annotated[int, Field(ge=1, le=512)] | None = None
    packet_id: PacketId | None = None


class Manufacturer(_Bytes):
    """[advert] kind = "manufacturer": data under a company identifier, which is not in them."""

    kind: Literal["manufacturer"]
    company: Annotated[int, Field(ge=0, le=0xFFFF)]


class Service(_Bytes):
    """[advert] kind = "service": data under the UUID of a service."""

    kind: Literal["service"]
    uuid: Uuid


class AdvertMeasures(ByteMeasures):
    """[quantities.NAME] of a meter that broadcasts."""

    object: Annotated[int, Field(ge=0, le=255)] | None = None
    """BTHome: the identifier of its objects."""
    nth: Annotated[int, Field(ge=1, le=20)] = 1
    """BTHome: which of several objects with this identifier."""


class AdvertProfile(Table):
    """The whole file."""

    description: str = ""
    driver: Literal["adverts"]
    advert: Annotated[BtHome | Manufacturer | Service, Field(discriminator="kind")]
    quantities: Annotated[dict[str, AdvertMeasures], Field(min_length=1)]


@dataclass(frozen=True, slots=True)
class AdvertMeter:
    """A profile ready for use."""

    file: Path
    profile: AdvertProfile
    scales: Mapping[str, Scale]
    layout: Layout
    """Empty for BTHome, which says itself where its numbers are."""
    packet_id: Place | None
    channels: tuple[Channel, ...]


def assemble(file: Path, quantities: Mapping[str, Quantity] = BUILT_IN) -> AdvertMeter:
    """Read and check a profile; ConfigError names file, key, found and allowed."""
    profile = read_table(file, AdvertProfile)
    tables, advert = profile.quantities, profile.advert
    with at(file=file):
        scales = {name: scale_of(name, tables, quantities) for name in tables}
        if isinstance(advert, BtHome):
            _check_objects(tables)
            layout, packet_id = Layout({}), None
        else:
            places = {name: _place(name, tables[name], scales[name]) for name in tables}
            layout, packet_id = Layout(places, advert.length), _packet_id(advert)
            _check_lengths(advert, {**places, "packet_id": packet_id})
    channels = tuple(channel_of(scales[name].quantity, mine) for name, mine in tables.items())
    return AdvertMeter(file, profile, scales, layout, packet_id, channels)


def _check_objects(tables: Mapping[str, AdvertMeasures]) -> None:
    taken: dict[tuple[int, int], str] = {}
    for name, mine in tables.items():
        key = f"quantities.{name}.object"
        if mine.object is None or mine.object not in OBJECTS:
            raise ConfigError(
                "no object of BTHome",
                key=key,
                found=mine.object,
                allowed=", ".join(f"0x{number:02X}" for number in sorted(OBJECTS)),
            )
        if mine.type is not None or mine.at or mine.not_a_reading or mine.over_range:
            raise ConfigError(
                "BTHome says itself where its numbers are",
                key=f"quantities.{name}",
                allowed="object, nth",
            )
        other = taken.setdefault((mine.object, mine.nth), name)
        if other != name:
            raise ConfigError(f"this object is {other} already", key=key, found=mine.object)


def _place(name: str, mine: AdvertMeasures, scale: Scale) -> Place:
    key = f"quantities.{name}"
    if mine.object is not None:
        raise ConfigError("only BTHome has objects", key=f"{key}.object", allowed="at, type")
    if mine.type is None:
        raise ConfigError("a key is missing", key=f"{key}.type", allowed=", ".join(BY_NAME))
    return place_of(key, mine, BY_NAME[mine.type], scale)


def _packet_id(advert: Manufacturer | Service) -> Place | None:
    mine = advert.packet_id
    return None if mine is None else Place(_unchanged, BY_NAME[mine.type], mine.at, mine.order)


def _unchanged(number: float) -> tuple[float, None]:
    return number, None


def _check_lengths(advert: Manufacturer | Service, places: Mapping[str, Place | None]) -> None:
    for name, place in places.items():
        if place is not None and advert.length is not None and place.end > advert.length:
            raise ConfigError(
                "the number lies behind the end of the bytes",
                key="advert.packet_id" if name == "packet_id" else f"quantities.{name}.at",
                found=place.at,
                allowed=f"0 to {advert.length - place.format.size}",
            )
