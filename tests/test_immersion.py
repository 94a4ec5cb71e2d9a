"""Following a probe from air to water to the next water."""

from __future__ import annotations

import importlib.util
import math
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.immersion import Immersion, Place
from acquire.readings import Channel, Flag

BENCH = Path(__file__).parent / "benchmarks" / "immersion"


def _load(name: str):
    spec = importlib.util.spec_from_file_location(f"immersion_{name}", BENCH / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


bench = _load("score")

CHANNELS = (
    Channel("ph", 0.01),
    Channel("orp", 1.0),
    Channel("conductivity", 1.0),
    Channel("tds", 1.0, follows="conductivity"),
    Channel("temperature", 0.1),
)
NAMES = [channel.quantity for channel in CHANNELS]

odd = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True),
    st.sampled_from([0.0, 1.0, 7.0, 500.0, -1e308, 1e308, 5e-324]),
)
reading = st.tuples(
    odd,
    st.dictionaries(st.sampled_from([*NAMES, "unheard_of"]), odd),
    st.dictionaries(st.sampled_from(NAMES), st.sampled_from(list(Flag))),
)


@given(st.lists(reading, max_size=80), st.sets(st.sampled_from(NAMES)))
def test_no_input_raises_and_the_number_only_rises_by_one(readings, names):
    follower = Immersion([channel for channel in CHANNELS if channel.quantity in names])
    number = 0
    for t, values, flags in readings:
        place = follower.update(t, values, flags)
        assert number <= place.number <= number + 1
        assert place.number == number or place.changed
        assert math.isfinite(place.since_s)
        number = place.number


@given(
    st.lists(
        st.tuples(st.floats(0.05, 30), st.dictionaries(st.sampled_from(NAMES), odd)), max_size=80
    )
)
def test_no_values_in_rising_time_raise(readings):
    follower = Immersion(CHANNELS)
    t = 0.0
    for step, values in readings:
        t += step
        place = follower.update(t, values, {})
        assert place.since_s <= t


def _trip(name: str, seed: int):
    rng = bench.random.Random(f"{name} {seed}")
    return bench.take_trip(rng, *bench.SCENARIOS[name](rng))


def _places(channels, samples) -> list[Place]:
    follower = Immersion(channels)
    return [follower.update(*sample) for sample in samples]


@pytest.mark.parametrize("name", ["round_full", "without_conductivity", "swung_similar"])
def test_only_differences_of_time_matter(name):
    trip = _trip(name, 1)
    base = [(round((t - trip.samples[0][0]) * 16) / 16, v, f) for t, v, f in trip.samples]
    shifted = [(t + 2.0**20, v, f) for t, v, f in base]
    before, after = _places(trip.channels, base), _places(trip.channels, shifted)
    assert [(p.medium, p.number, p.changed) for p in before] == [
        (p.medium, p.number, p.changed) for p in after
    ]
    assert all(
        b.since_s + 2.0**20 == pytest.approx(a.since_s, abs=1e-6)
        for b, a in zip(before, after, strict=True)
    )


@pytest.mark.parametrize("name", ["round_full", "without_conductivity", "meter_blanks"])
def test_duplicates_and_late_readings_change_nothing(name):
    trip = _trip(name, 2)
    follower = Immersion(trip.channels)
    plain = _places(trip.channels, trip.samples)
    for (t, values, flags), expected in zip(trip.samples, plain, strict=True):
        place = follower.update(t, values, flags)
        assert place == expected
        for again, other in (
            (t, values),
            (t - 1.0, {}),
            (math.nan, {"conductivity": 9.0}),
            (math.inf, {}),
        ):
            repeated = follower.update(again, other, {})
            assert not repeated.changed
            assert not repeated.disturbed
            assert (repeated.number, repeated.medium) == (place.number, place.medium)
