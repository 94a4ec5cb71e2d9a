from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from acquire.errors import FrameError
from drivers.codecs.checksum import xor8
from drivers.codecs.framing import Checksum, Frame, Framer, printable


def run(framer: Framer, chunks: list[bytes]) -> tuple[list[Frame | str], bytes]:
    """Feed chunks as a driver does; give frames and errors in order, and what is left over."""
    said: list[Frame | str] = []
    buffer = bytearray()
    for chunk in chunks:
        buffer += chunk
        used = 1
        while used:
            try:
                used, frame = framer.decode(buffer)
            except FrameError as error:
                used, frame = error.used, None
                assert_progress(used)
                said.append(str(error))
            if frame is not None:
                said.append(frame)
            del buffer[:used]
    return said, bytes(buffer)


def assert_progress(used: int) -> None:
    assert used > 0, "an error that uses nothing up would be raised for ever"


def split(data: bytes, cuts: list[int]) -> list[bytes]:
    edges = sorted({0, len(data), *(cut % (len(data) + 1) for cut in cuts)})
    return [data[a:b] for a, b in pairwise(edges)]


# Bytes in which terminators, halves of them, and garbage are all likely.
wire = st.lists(
    st.sampled_from([b"\r\n", b"\r", b"\n", b"\x00", b"\xff", b"*", b"pH 7.01", b"A" * 30, b"\xc2"])
    | st.binary(max_size=12)
).map(b"".join)
framers = st.builds(
    Framer,
    st.sampled_from([b"\n", b"\r\n", b"\r", b"END", b"aa"]),
    max_length=st.integers(1, 40),
    encoding=st.sampled_from(["ascii", "utf-8", "latin-1"]),
    checksum=st.none()
    | st.builds(
        Checksum,
        st.sampled_from(["xor", "sum8", "crc16-modbus"]),
        st.sampled_from([b"", b"*", b"**"]),
        st.sampled_from([b"", b"$"]),
    ),
)


@given(framers, wire, st.lists(st.integers(0, 10_000), max_size=20), st.booleans())
def test_any_split_of_any_bytes_gives_the_same_frames_and_errors(
    framer: Framer, data: bytes, cuts: list[int], is_mid_line: bool
) -> None:
    framer.reset()
    if is_mid_line:
        framer.skip_to_terminator()
    whole = run(framer, [data])
    for chunks in (split(data, cuts), [bytes([one]) for one in data]):
        framer.reset()
        if is_mid_line:
            framer.skip_to_terminator()
        again = run(framer, chunks)
        assert again == whole


@given(
    st.lists(
        st.text(st.characters(codec="ascii", categories=["L", "N", "P", "Zs"]), min_size=1).filter(
            str.strip
        ),
        max_size=10,
    )
)
def test_lines_come_out_as_they_went_in(lines: list[str]) -> None:
    data = b"".join(line.encode() + b"\r\n" for line in lines)
    said, left = run(Framer(b"\r\n", max_length=1000), [data])
    assert [frame.text for frame in said if isinstance(frame, Frame)] == [
        line.strip() for line in lines
    ]
    assert left == b""


def test_a_line_as_long_as_allowed_passes_and_one_byte_more_does_not() -> None:
    framer = Framer(b"\r\n", max_length=10)
    assert run(framer, [b"0123456789\r\n"])[0] == [Frame(b"0123456789", "0123456789")]
    assert run(framer, [b"0123456789A\r\n"])[0] == ["line longer than 10 bytes"]


def test_the_tail_of_an_over_long_line_never_becomes_a_frame() -> None:
    said, left = run(Framer(b"\n", max_length=10), [b"x" * 25 + b"T 1.0\nT 2.0\n"])
    assert said == ["line longer than 10 bytes", Frame(b"T 2.0", "T 2.0")]
    assert left == b""


def test_bytes_without_a_terminator_are_one_error_and_are_not_kept() -> None:
    framer = Framer(b"\r\n", max_length=256)
    errors, kept, buffer = 0, 0, bytearray()
    for _ in range(2500):
        buffer += b"\x55" * 4096
        used = 1
        while used:
            try:
                used, _ = framer.decode(buffer)
            except FrameError as error:
                used, errors = error.used, errors + 1
            del buffer[:used]
        kept = max(kept, len(buffer))
    assert errors == 1
    assert kept <= 1


def test_what_is_skipped_at_the_start_ends_with_the_first_terminator() -> None:
    framer = Framer(b"\r\n", max_length=20)
    framer.skip_to_terminator()
    assert run(framer, [b"01 pH, T 2", b"1.4\r", b"\npH 7.00\r\n"])[0] == [
        Frame(b"pH 7.00", "pH 7.00")
    ]


def test_blank_lines_are_neither_frames_nor_errors() -> None:
    assert run(Framer(b"\n", max_length=20), [b"\n\r\n  \n\t\n"]) == ([], b"")


@pytest.mark.parametrize("line", [b"pH \x007.01", b"pH\x1b[31m 7.01", b"pH 7\xff01", b"\x80"])
def test_garbage_in_a_line_makes_it_no_frame(line: bytes) -> None:
    (said,), _ = run(Framer(b"\n", max_length=40, encoding="utf-8"), [line + b"\n"])
    assert isinstance(said, str)


def test_a_sentence_of_nmea_0183_passes_its_own_checksum() -> None:
    # From memory: the sentence that handbooks of NMEA 0183 print, exclusive or between $ and *.
    sentence = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
    framer = Framer(b"\r\n", max_length=82, checksum=Checksum("xor", b"*", b"$"))
    (frame,), _ = run(framer, [sentence])
    assert isinstance(frame, Frame)
    assert frame.text.endswith("46.9,M,,")
    (error,), _ = run(framer, [sentence.replace(b"545.4", b"545.5")])
    assert error == "wrong checksum"


@given(st.binary(min_size=1, max_size=30).filter(lambda b: b"\n" not in b), st.integers(0, 29))
@example(b"T 21.4", 2)
def test_one_changed_byte_never_passes_the_exclusive_or(body: bytes, place: int) -> None:
    line = bytearray(body + b"*" + xor8(body).encode())
    framer = Framer(b"\n", max_length=64, encoding="latin-1", checksum=Checksum("xor"))
    line[place % len(body)] ^= 0x10
    said, _ = run(framer, [bytes(line) + b"\n"])
    assert not any(isinstance(one, Frame) for one in said)


@pytest.mark.parametrize("line", [b"ABC*40", b"J*4a", b"J*4A", b"J*4A \r"])
def test_the_case_of_checksum_digits_and_blanks_behind_them_do_not_matter(line: bytes) -> None:
    said, _ = run(Framer(b"\n", max_length=64, checksum=Checksum("xor")), [line + b"\n"])
    body = line.split(b"*")[0]
    assert [frame.text for frame in said if isinstance(frame, Frame)] == [body.decode()]


@given(st.binary(max_size=2000))
def test_what_is_shown_of_raw_bytes_is_printable_and_short(raw: bytes) -> None:
    text = printable(raw)
    assert text.isprintable()
    assert len(text) <= 256


def test_what_is_shown_of_raw_bytes_keeps_what_can_be_read() -> None:
    assert printable("21.4 °C".encode()) == "21.4 °C"
    assert printable(b"a\x00\tb\xff\x1b[2J") == r"a\x00\tb\xff\x1b[2J"
    assert "\u202e" not in printable("pH \u202e10.7".encode())


@pytest.mark.parametrize(("terminator", "most"), [(b"", 10), (b"\n", 0)])
def test_a_framer_that_could_never_end_a_line_is_refused(terminator: bytes, most: int) -> None:
    with pytest.raises(ValueError, match="terminator and a length"):
        Framer(terminator, max_length=most)


def test_the_end_of_a_line_that_was_missed_is_dropped_and_the_next_one_is_whole() -> None:
    framer = Framer(b"\n", max_length=20)
    framer.skip_to_terminator()
    assert framer.is_skipping
    assert framer.decode(b"7.01") == (4, None)
    assert run(framer, [b" pH\npH 7.02\n"])[0] == [Frame(b"pH 7.02", "pH 7.02")]
    assert not framer.is_skipping


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (b"7.01 00", "no checksum at the end"),
        (b"pH 7.01*00", "the mark its checksum starts behind"),
    ],
)
def test_a_line_that_lacks_its_marks_is_told_from_one_with_a_wrong_sum(
    line: bytes, said: str
) -> None:
    framer = Framer(b"\n", max_length=40, checksum=Checksum("xor", b"*", b"$"))
    ((text,), rest) = run(framer, [line + b"\n"])
    assert said in str(text)
    assert rest == b""
    # NMEA 0183 form: the sum is over what stands between $ and *.
    good = b"$pH,7.01"
    whole = good + b"*" + xor8(good[1:]).encode()
    assert run(framer, [whole + b"\n"])[0] == [Frame(whole, "$pH,7.01")]
