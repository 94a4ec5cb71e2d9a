"""The shipped profiles read what the dialects say, whatever is said and however it arrives."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import FrameError
from acquire.quantities import BUILT_IN
from acquire.readings import Flag
from drivers.assembly import TextMeter, assemble
from drivers.codecs.dialects import (
    ERROR,
    NO_READING,
    OVER_RANGE,
    encode_columns,
    encode_labelled,
    encode_polled,
)
from drivers.profile import find_profile, shipped_profiles

ENCODERS = {"labelled": encode_labelled, "columns": encode_columns, "polled": encode_polled}
METERS = {name: assemble(find_profile(name)) for name in ENCODERS}
WORDS = {NO_READING: Flag.ERROR, ERROR: Flag.ERROR, OVER_RANGE: Flag.OVER_RANGE, None: Flag.ERROR}

values = st.fixed_dictionaries(
    {
        name: st.floats(BUILT_IN[name].low, min(BUILT_IN[name].high, 20_000.0))
        | st.sampled_from([NO_READING, OVER_RANGE, ERROR, None])
        for name in BUILT_IN
    }
)


def decode(meter: TextMeter, data: bytes):  # type: ignore[no-untyped-def]
    framer = meter.framer()
    used, frame = framer.decode(data)
    assert frame is not None
    assert used == len(data)
    return meter.reader.read(frame.text)


@pytest.mark.parametrize("name", ENCODERS)
@given(said=values)
def test_what_a_dialect_says_is_read_back_to_the_resolution_of_the_display(
    name: str, said: dict[str, float | str | None]
) -> None:
    meter = METERS[name]
    read = decode(meter, ENCODERS[name](said))
    for channel in meter.channels:
        quantity, shown = channel.quantity, said[channel.quantity]
        if isinstance(shown, float):
            step = channel.resolution
            if quantity == "conductivity" and shown >= 1999.5:
                step = 10.0  # the display has three or four digits, then a coarser unit
            assert read.values[quantity] == pytest.approx(shown, abs=0.5 * step + 1e-6)
        else:
            assert quantity not in read.values
            assert read.flags[quantity] == WORDS[shown]
    assert read.bad == 0


@pytest.mark.parametrize("name", ENCODERS)
@given(said=values, start=st.integers(0, 99), end=st.integers(0, 99), junk=st.binary(max_size=5))
def test_a_damaged_line_gives_finite_values_or_a_frame_error(
    name: str, said: dict[str, float | str | None], start: int, end: int, junk: bytes
) -> None:
    line = ENCODERS[name](said)
    damaged = line[:start] + junk + line[end:]
    meter, buffer = METERS[name], bytearray(damaged)
    framer, used = meter.framer(), 1
    while used:
        try:
            used, frame = framer.decode(buffer)
            if frame is not None:
                read = meter.reader.read(frame.text)
                assert all(math.isfinite(value) for value in read.values.values())
        except FrameError as error:
            used = max(used, error.used)
        del buffer[:used]


@given(said=values, place=st.integers(0, 200), bit=st.integers(0, 7))
def test_one_flipped_bit_never_passes_the_polled_meters_checksum(
    said: dict[str, float | str | None], place: int, bit: int
) -> None:
    line = bytearray(encode_polled(said))
    line[place % (len(line) - 2)] ^= 1 << bit
    framer = METERS["polled"].framer()
    try:
        _, frame = framer.decode(line)
    except FrameError:
        return
    # What passes reads the same: only the case of a checksum digit has changed.
    assert frame is None or frame.text.encode() == encode_polled(said).rpartition(b"*")[0]


def test_every_shipped_profile_is_a_dialect_of_the_simulated_meters() -> None:
    assert shipped_profiles() == sorted(ENCODERS)


@pytest.mark.parametrize("name", ENCODERS)
def test_the_shipped_profiles_describe_the_same_generic_meter(name: str) -> None:
    by_name = {channel.quantity: channel for channel in METERS[name].channels}
    assert list(by_name) == list(BUILT_IN)
    assert by_name["ph"].resolution == 0.01
    assert by_name["ph"].accuracy == 0.05
    assert by_name["salinity"].resolution == pytest.approx(0.1)  # 0.01 % in g/kg
    assert by_name["conductivity"].reference_c == 25.0
    assert by_name["conductivity"].coefficient == 0.02
    assert {n for n, c in by_name.items() if c.is_required} == {
        "ph",
        "orp",
        "conductivity",
        "temperature",
    }
