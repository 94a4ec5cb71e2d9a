"""Registers to numbers, held against published vectors and a reference library; the fewest requests."""

from __future__ import annotations

import math
import struct
from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from acquire.errors import FrameError
from acquire.readings import Flag
from drivers.codecs.registers import Block, Kind, Layout, Order, Place, plan, split

KINDS: tuple[Kind, ...] = ("int16", "uint16", "int32", "uint32", "float32")
ORDERS: tuple[Order, ...] = ("ABCD", "CDAB", "BADC", "DCBA")
RANGES = {
    "int16": (-(2**15), 2**15 - 1),
    "uint16": (0, 2**16 - 1),
    "int32": (-(2**31), 2**31 - 1),
    "uint32": (0, 2**32 - 1),
}


@pytest.mark.parametrize(
    ("order", "words"),
    [
        ("ABCD", (0x4048, 0xF5C3)),
        ("CDAB", (0xF5C3, 0x4048)),
        ("BADC", (0x4840, 0xC3F5)),
        ("DCBA", (0xC3F5, 0x4840)),
    ],
)
def test_a_float_is_read_in_each_of_the_four_orders(order: Order, words: tuple[int, int]) -> None:
    # 3.14 is 0x4048F5C3 in IEEE 754 binary32; which order has which name is common practice.
    layout = Layout("float32", order)
    assert layout.decode(words) == 3.14
    assert layout.encode(3.14) == words


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("order", "word_order"), [("ABCD", "big"), ("CDAB", "little")])
@pytest.mark.parametrize("number", [0, 1, 258, 32767])
def test_numbers_are_those_of_pymodbus_in_the_orders_it_knows(
    kind: Kind, order: Order, word_order: str, number: int
) -> None:
    theirs = getattr(ModbusClientMixin.DATATYPE, kind.upper())
    said = float(number) if kind == "float32" else number
    registers = ModbusClientMixin.convert_to_registers(said, theirs, word_order=word_order)  # type: ignore[arg-type]
    assert Layout(kind, order).encode(number) == tuple(registers)
    assert Layout(kind, order).decode(registers) == number


@given(st.sampled_from(sorted(RANGES)), st.sampled_from(ORDERS), st.data())
def test_whole_numbers_come_back_as_they_were(
    kind: Kind, order: Order, data: st.DataObject
) -> None:
    number = data.draw(st.integers(*RANGES[kind]))
    layout = Layout(kind, order)
    words = layout.encode(number)
    assert len(words) == layout.words
    assert layout.decode(words) == number
    assert isinstance(layout.decode(words), int)


@given(st.floats(width=32, allow_nan=False), st.sampled_from(ORDERS))
def test_a_float_comes_back_as_the_same_32_bits_in_few_digits(number: float, order: Order) -> None:
    said = Layout("float32", order).decode(Layout("float32", order).encode(number))
    assert struct.pack(">f", said) == struct.pack(">f", number) or said == number
    assert len(repr(said)) <= len(repr(number)) or said == number


@pytest.mark.parametrize(
    ("kind", "number"),
    [
        ("uint16", -1),
        ("int16", 40000),
        ("int32", 2**31),
        ("uint16", 1.5),
        ("uint16", math.nan),
        ("float32", 1e39),
    ],
)
def test_what_does_not_fit_is_refused(kind: Kind, number: float) -> None:
    with pytest.raises(ValueError, match="is no"):
        Layout(kind).encode(number)


@given(
    st.sampled_from(KINDS),
    st.sampled_from(ORDERS),
    st.lists(st.integers(-(2**17), 2**17), max_size=4),
)
def test_any_words_give_a_number_or_a_frame_error(
    kind: Kind, order: Order, words: list[int]
) -> None:
    layout = Layout(kind, order)
    fits = len(words) == layout.words and all(0 <= word <= 0xFFFF for word in words)
    try:
        layout.decode(words)
    except FrameError:
        assert not fits
    else:
        assert fits


# Places.


def place(name: str, address: int, kind: Kind = "uint16", function: int = 4) -> Place:
    return Place(name, function, address, Layout(kind))


def test_sentinels_are_no_numbers() -> None:
    ph = Place("ph", 4, 0, Layout("int16"), frozenset({-32768}), frozenset({32767}))
    assert ph.read([0x8000]) is Flag.ERROR
    assert ph.read([0x7FFF]) is Flag.OVER_RANGE
    assert ph.read([700]) == 700


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((0x7FC0, 0), Flag.ERROR),
        ((0xFFFF, 0xFFFF), Flag.ERROR),
        ((0x7F80, 0), Flag.OVER_RANGE),
        ((0xFF80, 0), Flag.OVER_RANGE),
    ],
)
def test_floats_that_are_no_numbers_are_never_values(words: tuple[int, int], said: Flag) -> None:
    assert place("ph", 0, "float32").read(words) is said


# Requests.

PLACES = st.lists(
    st.builds(
        place,
        st.sampled_from(["a", "b", "c"]),
        st.integers(0, 40),
        st.sampled_from(["uint16", "float32"]),
        st.sampled_from([3, 4]),
    ),
    min_size=1,
    max_size=7,
)


@given(PLACES, st.integers(2, 12), st.integers(0, 12))
def test_a_plan_reads_every_place_within_the_limits(
    places: list[Place], most_registers: int, most_gap: int
) -> None:
    blocks = plan(places, most_registers=most_registers, most_gap=most_gap)
    assert sorted(map(repr, places)) == sorted(
        repr(one) for block in blocks for one in block.places
    )
    for block in blocks:
        assert block.count <= most_registers
        covered = {a for one in block.places for a in range(one.address, one.end)}
        holes = [a for a in range(block.address, block.address + block.count) if a not in covered]
        longest = max((len(run) for run in runs(holes)), default=0)
        assert longest <= most_gap
        for one in block.places:
            registers = list(range(block.address, block.address + block.count))
            assert list(block.words(one, registers)) == list(range(one.address, one.end))


def runs(numbers: list[int]) -> list[list[int]]:
    found: list[list[int]] = []
    for number in numbers:
        if found and found[-1][-1] == number - 1:
            found[-1].append(number)
        else:
            found.append([number])
    return found


def fewest(places: list[Place], most_registers: int) -> int:
    """How few windows cover all places, by trying every choice of starts."""
    starts = sorted({(one.function, one.address) for one in places})
    for count in range(1, len(starts) + 1):
        for chosen in combinations(starts, count):
            if all(
                any(
                    one.function == function
                    and start <= one.address
                    and one.end <= start + most_registers
                    for function, start in chosen
                )
                for one in places
            ):
                return count
    raise AssertionError("every place alone is a cover")


@given(PLACES, st.integers(2, 20))
def test_no_cover_has_fewer_requests(places: list[Place], most_registers: int) -> None:
    assert len(plan(places, most_registers=most_registers)) == fewest(places, most_registers)


def test_registers_nobody_asked_for_are_read_over_unless_they_are_too_many() -> None:
    near, far = place("a", 0), place("b", 100)
    assert plan([far, near]) == (Block(4, 0, 101, (near, far)),)
    assert len(plan([near, far], most_gap=98)) == 2
    assert len(plan([near, far], most_gap=99)) == 1
    assert len(plan([near, place("b", 125)])) == 2


@given(PLACES)
def test_splitting_goes_on_to_single_places_and_loses_none(places: list[Place]) -> None:
    waiting = list(plan(places))
    singles = []
    while waiting:
        block = waiting.pop()
        pieces = split(block)
        if pieces:
            assert all(len(piece.places) < len(block.places) for piece in pieces)
            waiting += pieces
        else:
            singles.append(block)
    assert sorted(repr(one) for block in singles for one in block.places) == sorted(
        map(repr, places)
    )
    assert all(len(block.places) == 1 for block in singles)


def test_a_refused_request_is_first_asked_without_its_gaps() -> None:
    a, b, c = place("a", 0), place("b", 1), place("c", 5)
    (whole,) = plan([a, b, c])
    assert split(whole) == (Block(4, 0, 2, (a, b)), Block(4, 5, 1, (c,)))
    assert split(split(whole)[0]) == (Block(4, 0, 1, (a,)), Block(4, 1, 1, (b,)))


@given(st.integers(0, 2**32 - 1))
def test_the_double_shown_for_a_float_is_that_float_and_no_longer_than_nine_digits(
    bits: int,
) -> None:
    # IEEE 754: nine significant digits tell every binary32 from its neighbours.
    raw = bits.to_bytes(4, "big")
    said = Layout("float32").decode(struct.unpack(">HH", raw))
    if math.isfinite(said):
        assert struct.pack(">f", said) == raw
        assert float(f"{said:.9g}") == pytest.approx(said, rel=1e-9)


@pytest.mark.parametrize("bits", [0x7F7FFFFF, 0xFF7FFFFF, 0x00000001, 0x4CBEE8F5])
def test_the_ends_of_the_floats_and_one_that_needs_nine_digits_come_through(bits: int) -> None:
    raw = bits.to_bytes(4, "big")
    said = Layout("float32").decode(struct.unpack(">HH", raw))
    assert struct.pack(">f", said) == raw


def test_no_places_need_no_request() -> None:
    assert plan(()) == ()
