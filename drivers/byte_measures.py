"""What a profile says of a number that stands in a block of bytes, and its place from that."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field
from pydantic_core import PydanticCustomError

from acquire.errors import ConfigError
from drivers.codecs.gatt_formats import uuid_text
from drivers.codecs.layout import Place, Turn
from drivers.codecs.numbers import BY_NAME, ByteOrder, NumberFormat
from drivers.measures import Measures

__all__ = ["ByteMeasures", "Patterns", "TypeName", "Uuid", "patterns", "place_of"]


def _is_type(name: str) -> str:
    if name not in BY_NAME:
        raise PydanticCustomError("type", "unknown type", {"allowed": ", ".join(BY_NAME)})
    return name


def _is_uuid(said: object) -> object:
    if not isinstance(said, str):
        return said
    try:
        return uuid_text(said)
    except ValueError as error:
        raise PydanticCustomError(
            "uuid", "not a UUID", {"allowed": "4 hexadecimal digits, or 32 with dashes"}
        ) from error


TypeName = Annotated[str, AfterValidator(_is_type)]
Uuid = Annotated[str, BeforeValidator(_is_uuid)]
Patterns = Annotated[
    tuple[Annotated[int, Field(ge=-(2**127), lt=2**128)], ...], Field(strict=False, max_length=20)
]


class ByteMeasures(Measures):
    """[quantities.NAME] of a meter that sends bytes: also where the number stands."""

    at: Annotated[int, Field(ge=0, le=511)] = 0
    type: TypeName | None = None
    order: ByteOrder = "little"
    not_a_reading: Patterns = ()
    over_range: Patterns = ()


def place_of(key: str, mine: ByteMeasures, kind: NumberFormat, turn: Turn) -> Place:
    """Give the place; ConfigError when a pattern means two things or does not fit the type."""
    place = Place(
        turn,
        kind,
        mine.at,
        mine.order,
        patterns(mine.not_a_reading, kind, f"{key}.not_a_reading"),
        patterns(mine.over_range, kind, f"{key}.over_range"),
    )
    both = place.not_a_reading & place.over_range
    if both:
        raise ConfigError(
            "one number with two meanings",
            key=f"{key}.over_range",
            found=min(both),
            allowed="each number once",
        )
    return place


def patterns(said: Patterns, kind: NumberFormat, key: str) -> frozenset[int]:
    """Give the bit patterns of numbers written with a sign or without; ConfigError if too large."""
    low, high = -(1 << (kind.bits - 1)), (1 << kind.bits) - 1
    for number in said:
        if not low <= number <= high:
            raise ConfigError(
                f"does not fit {kind.name}", key=key, found=number, allowed=f"{low} to {high}"
            )
    return frozenset(number & high for number in said)
