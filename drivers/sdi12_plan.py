"""Which value of a sensor is which quantity: as the profile says, else as the sensor does."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from acquire.quantities import Quantity
from acquire.readings import Channel, Flag
from drivers.codecs.sdi12 import Described
from drivers.measures import Measures, Scale, channel_of
from drivers.sdi12_profile import Sdi12Meter
from drivers.sdi12_talk import Measured
from drivers.sdi12_words import quantity_called, unit_called

__all__ = ["Place", "Plan", "make_plan", "open_places"]

Place = tuple[int, int]
"""Which measurement, and which of its values, counted from 1."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What the values of a sensor mean."""

    scales: Mapping[Place, Scale]
    channels: tuple[Channel, ...]
    error: frozenset[float] = frozenset()
    over_range: frozenset[float] = frozenset()

    def read(
        self, measurement: int, measured: Measured
    ) -> tuple[dict[str, float], dict[str, Flag]]:
        """Give values and flags; numbers that nothing claims are left out."""
        values: dict[str, float] = {}
        flags: dict[str, Flag] = {}
        for place, number in enumerate(measured.numbers, 1):
            scale = self.scales.get((measurement, place))
            if scale is None:
                continue
            name = scale.quantity.name
            if number.value in self.error:
                flags[name] = Flag.ERROR
            elif number.value in self.over_range:
                flags[name] = Flag.OVER_RANGE
            else:
                values[name], flag = scale(number.value)
                if flag is not None:
                    flags[name] = flag
        return values, flags


def open_places(meter: Sdi12Meter, counts: Mapping[int, int]) -> list[Place]:
    """Give the places of which the sensor should be asked what they are."""
    tables = meter.profile.quantities.values()
    if not meter.profile.measure.describe:
        return []
    claimed = {(one.measurement, one.place) for one in tables}
    places = [(m, place) for m, count in counts.items() for place in range(1, count + 1)]
    return [place for place in places if place not in claimed]


def make_plan(
    meter: Sdi12Meter,
    described: Mapping[Place, Described],
    decimals: Mapping[Place, int],
    tell: Callable[[str], None],
) -> Plan:
    """Join what the profile and the sensor say.

    A described value's resolution is the last decimal it was seen with. `tell` hears of every
    value that is left out and of what the sensor cannot say.
    """
    tables = meter.profile.quantities
    scales: dict[Place, Scale] = {}
    channels: list[Channel] = []
    for name, placed in tables.items():
        if placed.place is not None:
            scales[placed.measurement, placed.place] = meter.scales[name]
            channels.append(channel_of(meter.scales[name].quantity, placed))
    taken = {scale.quantity.name for scale in scales.values()}
    for place, quantity, unit in _named(meter, described, tell):
        name = quantity.name
        if name in taken:
            tell(f"{_words(place, described[place])} is left out: {name} has a value already")
            continue
        table: Measures | None = tables.get(name)
        if table is None:
            table = Measures(unit=unit, resolution=10.0 ** -decimals[place])
            if decimals[place] < quantity.digits:
                tell(
                    f"the resolution of {name} is taken as {table.resolution:g} {unit}, the last "
                    f"decimal seen: if it is finer, write [quantities.{name}] with its resolution"
                )
        scales[place] = Scale(quantity, table)
        channels.append(channel_of(quantity, table))
        taken.add(name)
        if name == "conductivity" and name not in tables:
            tell(
                "a sensor cannot say whether its conductivity is compensated for temperature: it "
                "is taken as not; if it is, write [quantities.conductivity] with compensated_to_c"
            )
    for name in tables:
        if name not in taken:
            tell(f"the sensor names no value {name}: give its place in the profile")
    measure = meter.profile.measure
    error, over_range = frozenset(measure.error), frozenset(measure.over_range)
    return Plan(scales, tuple(channels), error, over_range)


def _named(
    meter: Sdi12Meter, described: Mapping[Place, Described], tell: Callable[[str], None]
) -> Iterator[tuple[Place, Quantity, str]]:
    for place, said in described.items():
        quantity = quantity_called(said.name, meter.known)
        if quantity is None:
            tell(f"{_words(place, said)} is left out: unknown name")
            continue
        table = meter.profile.quantities.get(quantity.name)
        unit = unit_called(said.unit, quantity) if table is None else table.unit
        if unit is None:
            tell(f"{_words(place, said)} is left out: unknown unit for {quantity.name}")
            continue
        yield place, quantity, unit


def _words(place: Place, said: Described) -> str:
    measurement = f" of measurement {place[0]}" if place[0] else ""
    return f"value {place[1]}{measurement}, {said.name!r} in {said.unit!r},"
