"""SDI-12 against its standard: SDI-12 Support Group, Version 1.4, 20 February 2023."""

from __future__ import annotations

import contextlib
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import FrameError
from drivers.codecs import sdi12
from drivers.codecs.sdi12 import Described, Number, Start

# The ten examples of responses with their check characters, same source.
PUBLISHED = [
    ("0+3.14", "OqZ"),
    ("0+3.14+2.718+1.414", "Ipz"),
    ("0+1.11+2.22+3.33+4.44+5.55+6.66", "I]q"),
    ("0+7.77+8.88+9.99", "IvW"),
    ("0+3.14+2.718", "IWO"),
    ("0+2.718", "Gbc"),
    ("1+1.23+2.34+345+4.4678", "KoO"),
    ("0", "AP@"),
    ("0+1.234-4.56+12354-0.00045+2.223+145.5+7.7003+4328.8+9+10+11.433+12", "Ba]"),
    ("0,CU,degrees C,average air temperature,calibration data,40,1235;", "@|e"),
]
VALUES = st.from_regex(r"[+-](?=\.?[0-9])[0-9]{0,4}\.?[0-9]{0,3}", fullmatch=True)


def values(text: str, address: str = "0", **how: bool) -> list[float]:
    return [number.value for number in sdi12.parse_values(text, address, **how)]


# Check characters.


@pytest.mark.parametrize(("said", "characters"), PUBLISHED)
def test_the_published_check_characters_are_ours(said: str, characters: str) -> None:
    assert sdi12.with_crc(said) == said + characters
    assert sdi12.without_crc(said + characters) == said


def test_the_published_crc_is_ours() -> None:
    # Same source: 0+3.14 has 0xFC5A, sent as 0x4F 0x71 0x5A.
    assert sdi12.check_characters("0+3.14").encode() == bytes((0x4F, 0x71, 0x5A))


@pytest.mark.parametrize(("said", "characters"), PUBLISHED)
def test_one_changed_bit_is_noticed(said: str, characters: str) -> None:
    whole = (said + characters).encode()
    for at in range(len(whole)):
        for bit in range(7):
            wrong = whole[:at] + bytes((whole[at] ^ 1 << bit,)) + whole[at + 1 :]
            with pytest.raises(FrameError):
                sdi12.without_crc(wrong.decode())


def test_delete_may_be_a_check_character() -> None:
    said = next(
        f"0+{number}" for number in range(10_000) if "\x7f" in sdi12.with_crc(f"0+{number}")
    )
    whole = sdi12.with_crc(said)
    assert sdi12.decode(whole.encode() + b"\r\n") == (len(whole) + 2, whole)
    assert sdi12.without_crc(whole) == said


@given(st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), min_size=1, max_size=80))
def test_what_is_given_check_characters_passes_the_check(said: str) -> None:
    assert sdi12.without_crc(sdi12.with_crc(said)) == said


# Published exchanges, same source.


def test_a_published_measurement_is_read() -> None:
    assert sdi12.parse_start("00053", "0") == Start(5, 3)
    assert sdi12.parse_address("0", "0") == "0"
    assert values("0+3.14+2.718+1.414") == [3.14, 2.718, 1.414]


def test_a_published_concurrent_start_is_read() -> None:
    assert sdi12.parse_start("801099", "8", 2) == Start(10, 99)


def test_published_data_of_a_long_answer_are_read() -> None:
    text = PUBLISHED[8][0] + PUBLISHED[8][1]
    assert values(text, crc=True) == [
        1.234, -4.56, 12354, -0.00045, 2.223, 145.5, 7.7003, 4328.8, 9, 10, 11.433, 12,
    ]  # fmt: skip


def test_published_metadata_are_read() -> None:
    assert sdi12.parse_described(
        "0,CU,degrees C,average air temperature,calibration data,40,1235;@|e", "0", crc=True
    ) == Described("CU", "degrees C", ("average air temperature", "calibration data", "40", "1235"))
    assert sdi12.parse_described("0,PR,mm;", "0") == Described("PR", "mm")


# Every other row of the standard's table of commands.


def test_an_address_is_a_digit_or_a_letter() -> None:
    for address in "059AZaz":
        assert sdi12.parse_address(address) == address
    for other in ("", "00", "?", "+", "\u0661", "\xe9", "*"):
        with pytest.raises(FrameError):
            sdi12.parse_address(other)


def test_a_changed_address_must_be_the_one_asked_for() -> None:
    assert sdi12.parse_address("5", "5") == "5"
    with pytest.raises(FrameError):
        sdi12.parse_address("0", "5")


def test_counts_have_one_digit_two_or_three() -> None:
    assert sdi12.parse_start("a0009", "a") == Start(0, 9)
    assert sdi12.parse_start("a00000", "a", 2) == Start(0, 0)
    assert sdi12.parse_start("a999999", "a", 3) == Start(999, 999)


def test_the_address_alone_starts_nothing() -> None:
    assert sdi12.parse_start("0", "0") == Start(0, 0)


@pytest.mark.parametrize("text", ["", "0005", "000531", "1005 ", "10053", "0+053", "000\u06613"])
def test_what_is_no_start_is_refused(text: str) -> None:
    with pytest.raises(FrameError):
        sdi12.parse_start(text, "0")


def test_an_identification_has_fixed_places() -> None:
    said = sdi12.parse_identification("014ACME    PROBE7201SN12345", "0")
    assert (said.version, said.vendor, said.model, said.revision, said.optional) == (
        "1.4", "ACME", "PROBE7", "201", "SN12345",
    )  # fmt: skip
    assert sdi12.parse_identification("013ACMEACMEPROBE7201", "0").optional == ""


@pytest.mark.parametrize(
    "text", ["0", "014ACMEACMEPROBE720", "0xyACMEACMEPROBE7201", "114" + "x" * 18, "014" + "x" * 31]
)
def test_what_is_no_identification_is_refused(text: str) -> None:
    with pytest.raises(FrameError):
        sdi12.parse_identification(text, "0")


@pytest.mark.parametrize(
    "text", ["0", "0;", "0,PR;", "0,PR,mm", "0PR,mm;", "1,PR,mm;", "0,CU,degrees C;@|e"]
)
def test_what_is_no_metadata_is_refused(text: str) -> None:
    with pytest.raises(FrameError):
        sdi12.parse_described(text, "0")


def test_a_value_without_unit_is_described_as_such() -> None:
    assert sdi12.parse_described("0,WP,;", "0") == Described("WP", "")


# Values.


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("0", []),
        ("0+1", [1]),
        ("0-0", [0]),
        ("0+.5-.5", [0.5, -0.5]),
        ("0+7.", [7]),
        ("0+1234567-9999999", [1234567, -9999999]),
        ("0+1234.567", [1234.567]),
    ],
)
def test_values_are_signed_numbers_without_anything_between(
    text: str, expected: list[float]
) -> None:
    assert values(text) == expected


@pytest.mark.parametrize(
    "text",
    ["01", "0+", "0+.", "0++1", "0+1,2", "0+1 ", "0 +1", "0+1e5", "0+nan", "0+1.2.3", "0+12345678", "0+1234.5678", "1+1", "0+\u0661", "+1", ""],
)  # fmt: skip
def test_what_is_no_row_of_values_is_refused(text: str) -> None:
    with pytest.raises(FrameError):
        sdi12.parse_values(text, "0")


def test_no_data_need_no_check_characters_but_may_have_them() -> None:
    assert values("0", crc=True) == values("0AP@", crc=True) == []


def test_data_without_their_check_characters_are_refused() -> None:
    for text in ("0+3.14", "0+3.14OqY", "0OqZ"):
        with pytest.raises(FrameError):
            sdi12.parse_values(text, "0", crc=True)


@given(st.lists(VALUES, max_size=9))
def test_what_is_laid_out_in_pages_is_read_back_and_never_split(numbers: list[str]) -> None:
    laid = sdi12.pages(numbers)
    assert all(len(page) <= sdi12.PAGE_MOST for page in laid)
    read = [n for page in laid for n in sdi12.parse_values("0" + page, "0")]
    assert read == [Number(text) for text in numbers]


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (7.0, 2, "+7.00"),
        (-215, 0, "-215"),
        (0.0, 1, "+0.0"),
        (1234.5678, 6, "+1234.568"),
        (9_999_999, 3, "+9999999"),
        (-0.00045, 5, "-0.00045"),
    ],
)
def test_a_number_is_written_in_seven_digits(value: float, decimals: int, text: str) -> None:
    assert sdi12.write_number(value, decimals) == text


def test_a_number_too_long_for_the_wire_is_refused() -> None:
    with pytest.raises(ValueError, match="7 digits"):
        sdi12.write_number(1e7, 0)


@given(st.floats(-9_999_999, 9_999_999), st.integers(0, 6))
def test_whatever_is_written_is_read_back(value: float, decimals: int) -> None:
    text = sdi12.write_number(value, decimals)
    (number,) = sdi12.parse_values("0" + text, "0")
    assert number.value == float(text)
    assert number.decimals <= decimals


# Bytes.


@given(st.binary(max_size=200).map(lambda data: data.replace(b"\x0d", b"\x0d\x0a")), st.data())
def test_any_split_of_any_bytes_gives_the_same_responses(data: bytes, draw: st.DataObject) -> None:
    def fed(pieces: list[bytes]) -> list[str]:
        buffer, got = bytearray(), []
        for piece in pieces:
            buffer += piece
            used: int = 1
            while used:
                try:
                    used, text = sdi12.decode(buffer)
                except FrameError as error:
                    used, text = error.used, str(error)
                    assert used > 0
                if text is not None:
                    got.append(text)
                del buffer[:used]
        return got

    cut = draw.draw(st.integers(0, len(data)))
    assert (
        fed([data])
        == fed([data[:cut], data[cut:]])
        == fed([data[i : i + 1] for i in range(len(data))])
    )


def test_a_break_heard_as_a_byte_is_passed_over() -> None:
    assert sdi12.decode(b"\0\0") == (2, None)
    assert sdi12.decode(b"0\r\n") == (3, "0")


@pytest.mark.parametrize("raw", [b"0+1\xff\r\n", b"0\t\r\n", b"0\r0\r\n", b"\xb0\r\n", b"x" * 200])
def test_what_is_not_text_is_a_bad_frame(raw: bytes) -> None:
    with pytest.raises(FrameError) as caught:
        sdi12.decode(raw)
    assert 0 < caught.value.used <= len(raw)


PARSERS: list[Callable[[str], object]] = [
    sdi12.parse_address,
    lambda text: sdi12.parse_start(text, "0"),
    lambda text: sdi12.parse_start(text, "0", 2),
    lambda text: sdi12.parse_start(text, "0", 3),
    lambda text: sdi12.parse_values(text, "0"),
    lambda text: sdi12.parse_values(text, "0", crc=True),
    lambda text: sdi12.parse_identification(text, "0"),
    lambda text: sdi12.parse_described(text, "0"),
    lambda text: sdi12.parse_described(text, "0", crc=True),
]


@given(st.one_of(st.text(max_size=40), st.text("0+-.1,;\x02\x7f@a", max_size=40).map("0".__add__)))
def test_no_text_raises_anything_but_frame_error(text: str) -> None:
    for parse in PARSERS:
        with contextlib.suppress(FrameError):
            parse(text)


# Parity in software, for adapters that pass the eighth bit on.


def test_every_seven_bit_character_gets_even_parity_and_loses_it_again() -> None:
    plain = bytes(range(128))
    sent = sdi12.with_parity(plain)
    assert all(byte.bit_count() % 2 == 0 for byte in sent)
    assert sdi12.without_parity(sent) == plain
    assert sdi12.with_parity(b"0M!") == b"\x30\x4d\x21"  # each has an even number of ones
    assert sdi12.with_parity(b"1") == b"\xb1"  # 0x31 has three


def test_one_wrong_bit_is_wrong_parity() -> None:
    for byte in sdi12.with_parity(bytes(range(128))):
        for bit in range(8):
            with pytest.raises(FrameError, match="parity"):
                sdi12.without_parity(bytes((byte ^ 1 << bit,)))
