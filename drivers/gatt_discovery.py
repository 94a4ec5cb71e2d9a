"""What a meter says of itself: from its descriptors to channels and the places of its numbers.

A characteristic with a presentation format (0x2904), or a layout of the SIG's own, is one quantity.
Which one is said by the profile, else by the user description (0x2901), else by the unit. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from acquire.errors import ConfigError
from acquire.quantities import Quantity, conversion
from acquire.readings import Channel
from drivers.byte_measures import patterns
from drivers.codecs.gatt_formats import (
    SIG_UNITS,
    STANDARD,
    Presentation,
    Standard,
    described_name,
    described_unit,
    short_uuid,
)
from drivers.codecs.layout import Layout, Place
from drivers.codecs.numbers import NumberFormat
from drivers.gatt_profile import GattMeter, Override
from drivers.measures import Measures, channel_of, scale_of

__all__ = ["Described", "Discovered", "check_overrides", "discover"]

_FROM_CONDUCTIVITY = {"tds", "salinity", "specific_gravity"}
"""What such meters compute from conductivity (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Described:
    """One characteristic, and what its descriptors say."""

    uuid: str
    handle: int
    text: str = ""
    presentation: Presentation | None = None


@dataclass(frozen=True, slots=True)
class Discovered:
    """What became of it; keyed by handle, for a device may offer one UUID twice."""

    channels: tuple[Channel, ...]
    layouts: Mapping[int, Layout]
    notes: Sequence[str] = field(default_factory=tuple)
    """Why a characteristic was left out, in words."""


@dataclass(frozen=True, slots=True)
class _Found:
    quantity: Quantity
    handle: int
    format: NumberFormat
    measures: Measures
    sentinels: frozenset[int]
    over_range: frozenset[int]


def discover(meter: GattMeter, offered: Sequence[Described]) -> Discovered:
    """Build the channels; ConfigError when an override does not fit what the meter says.

    Of two characteristics for one quantity the first counts, unless an override names one.
    """
    found: dict[str, _Found] = {}
    notes: list[str] = []
    for one in offered:
        if one.uuid in meter.profile.ignore or one.uuid in meter.layouts:
            continue
        try:
            name, made = _understand(meter, one)
        except _LeftOutError as why:
            label = f" ({one.text})" if one.text else ""
            notes += [f"{short_uuid(one.uuid)}{label}: {why}"] if str(why) else []
            continue
        if name in found or name in meter.profile.quantities:
            notes.append(f"{short_uuid(one.uuid)}: {name} is another characteristic already")
        else:
            found[name] = made
    measures = {name: made.measures for name, made in found.items()}
    measures = _with_follows({**meter.profile.quantities, **measures}, set(found))
    layouts = {}
    for name, made in found.items():
        turn = scale_of(name, measures, meter.quantities)
        place = Place(turn, made.format, 0, "little", made.sentinels, made.over_range)
        layouts[made.handle] = Layout({name: place}, made.format.size)
    channels = tuple(channel_of(made.quantity, measures[name]) for name, made in found.items())
    return Discovered(channels, layouts, tuple(notes))


class _LeftOutError(Exception):
    """The characteristic is no quantity that could be read; the text is empty where none is due."""


def _understand(meter: GattMeter, one: Described) -> tuple[str, _Found]:
    standard = STANDARD.get(one.uuid)
    presentation = one.presentation
    if standard is None and presentation is None:
        # Names and settings of the device have no format: nobody misses them.
        is_wanted = any(o.characteristic == one.uuid for o in meter.profile.overrides.values())
        raise _LeftOutError("it does not say what its bytes are" if is_wanted or one.text else "")
    name = _name(meter, one, standard)
    quantity = meter.quantities.get(name)
    if quantity is None:
        raise _LeftOutError("it is none of the quantities" if name else "it names no quantity")
    override = meter.profile.overrides.get(name, Override())
    said: tuple[str, float] | None = None
    if standard is not None:
        kind, step, said = standard.format, standard.factor, (standard.unit, 1.0)
    elif presentation is not None:
        unit = SIG_UNITS.get(presentation.unit)
        kind, step = presentation.format, presentation.factor
        said = described_unit(one.text, unit, quantity)
    if override.unit is not None:
        said = (override.unit, 1.0)
    if said is None:
        raise _LeftOutError(f"{name} without a unit that can be used: say it in [overrides.{name}]")
    spoken, more = said
    factor = step * more * (1.0 if override.factor is None else override.factor)
    measures = _measures(quantity, spoken, factor, kind, override)
    key = f"overrides.{name}"
    sentinels = patterns(override.not_a_reading, kind, f"{key}.not_a_reading")
    if standard is not None and standard.sentinel is not None:
        sentinels |= {standard.sentinel}
    over_range = patterns(override.over_range, kind, f"{key}.over_range")
    return name, _Found(quantity, one.handle, kind, measures, sentinels, over_range)


def _name(meter: GattMeter, one: Described, standard: Standard | None) -> str:
    for name, override in meter.profile.overrides.items():
        if override.characteristic == one.uuid:
            return name
    unit = None if one.presentation is None else SIG_UNITS.get(one.presentation.unit)
    guesses = (
        described_name(one.text, meter.quantities),
        "" if standard is None else standard.quantity,
        "" if unit is None else unit.quantity,
    )
    name = next((guess for guess in guesses if guess), "")
    named = meter.profile.overrides.get(name)
    if named is not None and named.characteristic is not None:
        raise _LeftOutError(f"{name} is {short_uuid(named.characteristic)}, as the profile says")
    return name


def _measures(
    quantity: Quantity, unit: str, factor: float, kind: NumberFormat, override: Override
) -> Measures:
    """Join what the meter says and what the profile says."""
    per_unit = abs(conversion(quantity, unit).factor)
    # One step of a whole number; of a floating one nothing is known: the quantity's own digits.
    step = abs(factor) if kind.is_integer else 10.0**-quantity.digits / per_unit
    said = override.model_dump(
        exclude_none=True, exclude={"characteristic", "not_a_reading", "over_range"}
    )
    return Measures.model_validate({"resolution": step, **said, "unit": unit, "factor": factor})


def _with_follows(measures: Mapping[str, Measures], found: set[str]) -> dict[str, Measures]:
    computed = _FROM_CONDUCTIVITY & found if "conductivity" in measures else set()
    return {
        name: mine.model_copy(update={"follows": "conductivity"})
        if name in computed and mine.follows is None
        else mine
        for name, mine in measures.items()
    }


def check_overrides(meter: GattMeter, found: Discovered) -> None:
    """ConfigError when the profile expects a quantity that the meter does not offer."""
    names = {channel.quantity for channel in found.channels}
    for name in meter.profile.overrides:
        if name not in names:
            why = "; ".join(found.notes)
            raise ConfigError(
                f"the meter does not offer {name}{f' ({why})' if why else ''}",
                file=meter.file,
                key=f"overrides.{name}",
                allowed=", ".join(sorted(names)) or "nothing",
            )
