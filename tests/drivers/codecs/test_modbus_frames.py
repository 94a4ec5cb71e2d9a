"""Frames of Modbus: published vectors, any split, any noise, nothing but FrameError."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.constants import ExcCodes
from pymodbus.framer import FramerRTU

from acquire.errors import FrameError
from drivers.codecs.checksum import crc16_modbus
from drivers.codecs.modbus_frames import Answer, Ask, Frames, RtuFrames, TcpFrames, refusal_words

ASK = Ask(device=17, function=4, address=8, count=2)


def sealed(body: bytes) -> bytes:
    """Put our own CRC behind a frame: pymodbus's is what is tested."""
    return body + bytes.fromhex(crc16_modbus(body))[::-1]


GOOD = sealed(bytes([17, 4, 4, 0x02, 0xBC, 0x00, 0xD3]))
REFUSAL = sealed(bytes([17, 0x84, 2]))


def feed(frames: Frames, chunks: list[bytes]) -> tuple[list[Answer | str], bytes]:
    """Feed chunks; give answers and errors in order, and what is left over."""
    said: list[Answer | str] = []
    buffer = bytearray()
    for chunk in chunks:
        buffer += chunk
        used = 1
        while used:
            answer = None
            try:
                used, answer = frames.decode(buffer)
            except FrameError as error:
                used = error.used
                assert used > 0, "an error that uses nothing up would be raised for ever"
                said.append(str(error))
            if answer is not None:
                said.append(answer)
            assert used <= len(buffer)
            del buffer[:used]
    return said, bytes(buffer)


def asked(ask: Ask = ASK) -> RtuFrames:
    frames = RtuFrames()
    frames.request(ask)
    return frames


def test_the_checksum_is_that_of_the_standard() -> None:
    # MODBUS over Serial Line, Specification and Implementation Guide V1.02, 6.2.2: frame 02 07.
    assert sealed(b"\x02\x07") == b"\x02\x07\x41\x12"
    assert FramerRTU.compute_CRC(b"\x02\x07").to_bytes(2, "big") == b"\x41\x12"
    # Widely used, common practice, no source.
    assert RtuFrames().request(Ask(1, 3, 0, 10)) == bytes.fromhex("01030000000AC5CD")


@pytest.mark.parametrize(
    ("ask", "request_pdu", "answer_pdu", "registers"),
    [
        # MODBUS Application Protocol V1.1b3, 6.3: holding registers 108 to 110; from memory.
        (Ask(1, 3, 107, 3), "03006B0003", "0306022B00000064", (0x022B, 0, 0x64)),
        # The same, 6.4: input register 9; from memory.
        (Ask(1, 4, 8, 1), "0400080001", "0402000A", (10,)),
    ],
)
def test_the_examples_of_the_standard_are_spoken(
    ask: Ask, request_pdu: str, answer_pdu: str, registers: tuple[int, ...]
) -> None:
    rtu, tcp = RtuFrames(), TcpFrames()
    assert rtu.request(ask) == sealed(bytes([ask.device]) + bytes.fromhex(request_pdu))
    answer = bytes([ask.device]) + bytes.fromhex(answer_pdu)
    assert rtu.decode(sealed(answer)) == (len(answer) + 2, Answer(registers))
    # Modbus TCP: transaction, protocol 0, length of what follows, then the same without a CRC.
    sent = tcp.request(ask)
    assert sent[2:] == b"\0\0\0\6" + bytes([ask.device]) + bytes.fromhex(request_pdu)
    whole = sent[:2] + b"\0\0" + len(answer).to_bytes(2, "big") + answer
    assert tcp.decode(whole) == (len(whole), Answer(registers))


def test_a_refusal_is_an_answer_with_its_code() -> None:
    assert asked().decode(REFUSAL) == (5, Answer(refusal=2))
    tcp = TcpFrames()
    header = tcp.request(ASK)[:2]
    assert tcp.decode(header + b"\0\0\0\3\x11\x84\x0b") == (9, Answer(refusal=11))


def test_every_exception_is_said_in_words() -> None:
    for code in ExcCodes:
        assert refusal_words(code).endswith(f"(exception {int(code)})")
        assert not refusal_words(code).startswith("unknown")
    assert refusal_words(99) == "unknown exception (exception 99)"


@pytest.mark.parametrize(
    "before",
    [
        pytest.param(b"\x00", id="a break"),
        pytest.param(bytes([17]), id="its own number"),
        pytest.param(bytes([17, 4, 4]), id="its own beginning"),
        pytest.param(RtuFrames().request(ASK), id="the echo of the request"),
        pytest.param(RtuFrames().request(ASK)[:5], id="half an echo"),
        pytest.param(sealed(bytes([18, 4, 4, 1, 2, 3, 4])), id="another device"),
        pytest.param(sealed(bytes([17, 3, 4, 1, 2, 3, 4])), id="another function"),
        pytest.param(sealed(bytes([17, 4, 2, 1, 2])), id="another number of registers"),
        pytest.param(GOOD[:-1] + b"\x00", id="a wrong checksum"),
        pytest.param(bytes([17, 0x84, 2, 0, 0]), id="a refusal with a wrong checksum"),
    ],
)
def test_the_answer_is_found_behind(before: bytes) -> None:
    said, rest = feed(asked(), [before + GOOD])
    assert [one for one in said if isinstance(one, Answer)] == [Answer((0x02BC, 0x00D3))]
    assert rest == b""


def test_a_wrong_checksum_is_an_error_and_no_answer() -> None:
    said, _ = feed(asked(), [GOOD[:-1] + bytes([GOOD[-1] ^ 1])])
    assert said == ["wrong checksum"]


@pytest.mark.parametrize("bit", range(len(GOOD) * 8))
def test_no_flipped_bit_gives_an_answer(bit: int) -> None:
    flipped = bytearray(GOOD)
    flipped[bit // 8] ^= 1 << bit % 8
    said, _ = feed(asked(), [bytes(flipped)])
    assert not [one for one in said if isinstance(one, Answer)]


def test_a_late_answer_of_tcp_is_passed_over() -> None:
    tcp = TcpFrames()
    body = b"\0\0\0\7\x11\x04\x04\x00\x01\x00\x02"
    first, second = tcp.request(ASK)[:2], tcp.request(ASK)[:2]
    said, _ = feed(tcp, [first + body + second + body])
    assert said == [Answer((1, 2))]


@pytest.mark.parametrize(
    ("answer", "problem"),
    [
        (b"\0\1\0\7\x11\x04\x04\0\0\0\0", "no header"),
        (b"\0\0\1\0\x11\x04\x04\0\0\0\0", "no header"),
        (b"\0\0\0\7\x12\x04\x04\0\0\0\0", "something else"),
        (b"\0\0\0\7\x11\x03\x04\0\0\0\0", "something else"),
        (b"\0\0\0\5\x11\x04\x02\0\0", "1 registers, not 2"),
        (b"\0\0\0\4\x11\x04\x04\0", "no answer|registers"),
    ],
)
def test_what_is_no_answer_over_tcp_is_an_error(answer: bytes, problem: str) -> None:
    tcp = TcpFrames()
    with pytest.raises(FrameError, match=problem):
        tcp.decode(tcp.request(ASK)[:2] + answer)


# Any bytes, any split.

ASKS = st.builds(
    Ask, st.integers(1, 247), st.sampled_from([3, 4]), st.integers(0, 65535), st.integers(1, 125)
)


@st.composite
def streams(draw: st.DrawFn) -> tuple[Ask, bytes]:
    """Noise that knows what is listened for: pieces of requests and answers, whole and broken."""
    ask = draw(ASKS)
    data = draw(st.binary(min_size=2 * ask.count, max_size=2 * ask.count))
    good = sealed(bytes([ask.device, ask.function, 2 * ask.count]) + data)
    tcp = b"\0\1\0\0" + (len(good) - 2).to_bytes(2, "big") + good[:-2]
    known = [good, tcp, sealed(bytes([ask.device, ask.function | 0x80, 2])), asked(ask)._sent]
    pieces = draw(
        st.lists(
            st.one_of(
                st.binary(max_size=12),
                st.sampled_from(known),
                st.sampled_from(known).map(lambda one: one[:-1]),
                st.sampled_from(known).flatmap(
                    lambda one: st.integers(0, len(one) - 1).map(
                        lambda at: one[:at] + bytes([one[at] ^ 0x10]) + one[at + 1 :]
                    )
                ),
            ),
            max_size=5,
        )
    )
    return ask, b"".join(pieces)


def frames_for(kind: type[RtuFrames | TcpFrames], ask: Ask) -> Frames:
    frames = kind()
    frames.request(ask)
    return frames


@pytest.mark.parametrize("kind", [RtuFrames, TcpFrames])
@given(streams(), st.lists(st.integers(0, 2000), max_size=6))
def test_any_split_gives_the_same_answers_and_the_same_errors(
    kind: type[RtuFrames | TcpFrames], stream: tuple[Ask, bytes], cuts: list[int]
) -> None:
    ask, data = stream
    edges = sorted({0, len(data), *(cut % (len(data) + 1) for cut in cuts)})
    chunks = [data[a:b] for a, b in pairwise(edges)]
    assert feed(frames_for(kind, ask), chunks) == feed(frames_for(kind, ask), [data])


@given(ASKS, st.binary(max_size=40), st.data())
def test_an_answer_is_found_behind_any_noise(ask: Ask, noise: bytes, data: st.DataObject) -> None:
    body = data.draw(st.binary(min_size=2 * ask.count, max_size=2 * ask.count))
    good = sealed(bytes([ask.device, ask.function, 2 * ask.count]) + body)
    said, _ = feed(frames_for(RtuFrames, ask), [noise + good + b"\xff" * 300])
    answers = [one for one in said if isinstance(one, Answer)]
    registers = tuple(int.from_bytes(body[i : i + 2], "big") for i in range(0, len(body), 2))
    assert Answer(registers) in answers
