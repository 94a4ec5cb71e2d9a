"""BTHome, plain and encrypted, and what counts as news."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import FrameError
from drivers.codecs.adverts import OBJECTS, News, read_bthome, write_bthome

KEY = bytes.fromhex("231d39c1d7cc1ab1aee224cd096db932")
ADDRESS = bytes.fromhex("5448E68F80A5")


def test_the_example_of_the_open_format_is_read() -> None:
    """From memory of the text of BTHome version 2: temperature 25.06 °C, humidity 50.55 %."""
    found = read_bthome(bytes.fromhex("4002ca0903bf13"))
    assert list(found.objects) == [(0x02, pytest.approx(25.06)), (0x03, pytest.approx(50.55))]
    assert (found.packet_id, found.counter) == (None, None)


def test_the_encrypted_example_of_the_open_format_is_read() -> None:
    """From memory; that its check of four bytes fits bears the memory out."""
    data = bytes.fromhex("41a47266c95f730011223378237214")
    found = read_bthome(data, address=ADDRESS, key=KEY)
    assert list(found.objects) == [(0x02, pytest.approx(25.06)), (0x03, pytest.approx(50.55))]
    assert found.counter == 0x33221100


def test_packet_number_conductivity_and_several_of_a_kind_are_found() -> None:
    found = read_bthome(bytes.fromhex("4000074501004564005600020c0102"))
    assert found.packet_id == 7
    assert found.find(0x56) == 512
    assert [found.find(0x45, nth) for nth in (1, 2, 3)] == [0.1, 10.0, None]
    assert found.find(0x0C) == pytest.approx(0.513)


def test_texts_are_stepped_over_and_behind_the_unknown_nothing_is_read() -> None:
    found = read_bthome(bytes.fromhex("4053024142" + "4501" + "00" + "ee" + "4502" + "00"))
    assert list(found.objects) == [(0x45, 0.1)]


@pytest.mark.parametrize(
    ("data", "why"),
    [
        ("", "empty"),
        ("20", "version 1"),
        ("4045d6", "takes 2 bytes"),
        ("405305", "breaks off"),
        ("41a47266c95f730011223378237214", "no key"),
    ],
)
def test_what_is_no_advert_is_no_frame(data: str, why: str) -> None:
    with pytest.raises(FrameError, match=why):
        read_bthome(bytes.fromhex(data))


def test_a_wrong_key_address_or_bit_is_no_frame() -> None:
    data = write_bthome([(0x56, 512.0)], address=ADDRESS, key=KEY, counter=9)
    assert read_bthome(data, address=ADDRESS, key=KEY).find(0x56) == 512
    with pytest.raises(FrameError, match="key does not fit"):
        read_bthome(data, address=ADDRESS, key=bytes(16))
    with pytest.raises(FrameError, match="key does not fit"):
        read_bthome(data, address=ADDRESS[::-1], key=KEY)
    for at in range(1, len(data)):
        bent = data[:at] + bytes((data[at] ^ 1,)) + data[at + 1 :]
        with pytest.raises(FrameError):
            read_bthome(bent, address=ADDRESS, key=KEY)


def test_with_a_key_a_plain_advert_is_not_believed() -> None:
    with pytest.raises(FrameError, match="not encrypted"):
        read_bthome(bytes.fromhex("40560002"), address=ADDRESS, key=KEY)


@given(st.binary(max_size=60))
def test_any_bytes_are_an_advert_or_no_frame(data: bytes) -> None:
    for key in (b"", KEY):
        with suppress(FrameError):
            found = read_bthome(data, address=ADDRESS, key=key)
            assert all(number in OBJECTS for number, _ in found.objects)


@given(st.lists(st.sampled_from(sorted(OBJECTS)), max_size=8), st.binary(max_size=1), st.data())
def test_what_is_written_is_read_back(numbers: list[int], extra: bytes, data) -> None:
    objects = []
    for number in numbers:
        kind, factor = OBJECTS[number]
        most = 2 ** (kind.bits - 1) - 1
        objects.append((number, data.draw(st.integers(0, most)) * factor))
    key = KEY if extra else b""
    found = read_bthome(write_bthome(objects, address=ADDRESS, key=key), address=ADDRESS, key=key)
    assert [number for number, _ in found.objects] == numbers
    assert [value for _, value in found.objects] == pytest.approx([value for _, value in objects])


def test_a_packet_number_decides_what_is_new() -> None:
    news = News(repeat_s=5.0)
    assert news.is_new(b"a", 1, 0.0, heard=True)
    assert not news.is_new(b"b", 1, 1.0, heard=True)
    assert not news.is_new(b"a", 1, 100.0, heard=True)
    assert news.is_new(b"a", 2, 100.1, heard=True)
    assert news.is_new(b"a", 0, 100.2, heard=True)


def test_without_one_changed_bytes_do_and_after_a_while_the_same_again() -> None:
    news = News(repeat_s=5.0)
    assert news.is_new(b"a", None, 0.0, heard=True)
    assert not news.is_new(b"a", None, 4.9, heard=True)
    assert news.is_new(b"b", None, 4.95, heard=True)
    assert not news.is_new(b"b", None, 9.9, heard=True)
    assert not news.is_new(b"b", None, 20.0, heard=False)  # told from memory: nobody sent it
    assert news.is_new(b"b", None, 20.1, heard=True)
