"""Requests for registers and the answers to them, as bytes. The one module that knows pymodbus.

``request(ask)`` gives the bytes to send; then ``decode(buffer) -> (used, answer | None)`` takes
the answer off what has come since: `used` bytes are done with, (0, None) means more are needed.
Any split of the same bytes gives the same answers and the same errors, and nothing but
`FrameError` is raised. pymodbus builds, checks and opens the frames. What it is not left to do is
to say where one begins: an answer on a shared line has to be found among the echo of the request,
noise, and late answers to earlier requests, and what is looked for is known to the byte.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import Protocol

from pymodbus.exceptions import ModbusException
from pymodbus.framer import FramerBase, FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU, ReadHoldingRegistersRequest
from pymodbus.pdu.register_message import ReadInputRegistersRequest

from acquire.errors import FrameError

__all__ = ["Answer", "Ask", "Frames", "RtuFrames", "TcpFrames", "refusal_words"]

# It logs each bad byte of a noisy line as an error; here they are counted instead.
logging.getLogger("pymodbus").setLevel(logging.CRITICAL)

_REQUESTS = {3: ReadHoldingRegistersRequest, 4: ReadInputRegistersRequest}
_REFUSED = 0x80
_CRC = 2
_HEADER = 7
"""Of Modbus TCP: transaction (2), protocol (2), length of the rest (2), unit (1)."""
_LONGEST = 254
"""Unit and protocol data unit of a Modbus TCP frame."""

# Codes as pymodbus names them (constants.ExcCodes); what they mean to a person in our words.
_REFUSALS = {
    1: "illegal function: it does not know this function, or not in this state",
    2: "illegal data address: it has no such register",
    3: "illegal data value: it does not give so many registers at once",
    4: "device failure: it could not do what was asked",
    5: "acknowledge: it needs more time",
    6: "device busy: ask again later",
    7: "negative acknowledge: it cannot do what was asked",
    8: "memory parity error",
    10: "gateway path unavailable: the gateway is wrongly set or overloaded",
    11: "gateway target gives no response: is that device on the line?",
}


def refusal_words(code: int) -> str:
    """Say a meter's exception in words."""
    return f"{_REFUSALS.get(code, 'unknown exception')} (exception {code})"


@dataclass(frozen=True, slots=True)
class Ask:
    """Registers asked of one device: function 3 or 4, 1 to 125 of them."""

    device: int
    function: int
    address: int
    count: int


@dataclass(frozen=True, slots=True)
class Answer:
    """What the device said: registers, or the code of its refusal."""

    registers: tuple[int, ...] = ()
    refusal: int | None = None


class Frames(Protocol):
    """One way to put requests and answers on a wire."""

    def request(self, ask: Ask) -> bytes: ...
    def decode(self, buffer: bytes | bytearray) -> tuple[int, Answer | None]: ...


class RtuFrames:
    """On a serial line: device, function, data, CRC."""

    def __init__(self) -> None:
        self._framer = FramerRTU(DecodePDU(is_server=False))
        self._ask = Ask(0, 0, 0, 0)
        self._sent = b""

    def request(self, ask: Ask) -> bytes:
        self._ask, self._sent = ask, _request(self._framer, ask, 0)
        return self._sent

    def decode(self, buffer: bytes | bytearray) -> tuple[int, Answer | None]:
        """Skip what cannot begin the answer; raise for what began like it and was none."""
        data = bytes(buffer)
        skipped = 0
        while skipped < len(data):
            rest = data[skipped:]
            size = self._size(rest)
            if size == 0 or len(rest) < size:
                return skipped, None
            if size > 0:
                if skipped:  # deliver first what is certain, so that any split does the same
                    return skipped, None
                if rest[:size] == self._sent:  # an adapter that hears itself
                    return size, None
                return size, _answer(self._framer, rest[:size], self._ask, used=1)
            skipped += 1
        return skipped, None

    def _size(self, data: bytes) -> int:
        """Length of the frame that begins here; 0 when that needs more bytes, -1 for none."""
        expected = bytes([self._ask.device])
        if data[:1] != expected:
            return -1
        if len(data) < 3:
            function_fits = len(data) < 2 or data[1] & ~_REFUSED == self._ask.function
            return 0 if function_fits else -1
        if data[1] == self._ask.function | _REFUSED:
            return 3 + _CRC
        if data[1] != self._ask.function:
            return -1
        if data[: len(self._sent)] == self._sent[: len(data)]:
            return len(self._sent)
        return 3 + data[2] + _CRC if data[2] == 2 * self._ask.count else -1


class TcpFrames:
    """On a network: a header with a transaction number in the place of the CRC."""

    def __init__(self) -> None:
        self._framer = FramerSocket(DecodePDU(is_server=False))
        self._ask = Ask(0, 0, 0, 0)
        self._transaction = 0

    def request(self, ask: Ask) -> bytes:
        self._ask = ask
        self._transaction = self._transaction % 0xFFFF + 1
        return _request(self._framer, ask, self._transaction)

    def decode(self, buffer: bytes | bytearray) -> tuple[int, Answer | None]:
        """Pass over whole answers to earlier requests; raise for what is no Modbus TCP."""
        if len(buffer) < _HEADER + 1:
            return 0, None
        length = int.from_bytes(buffer[4:6], "big")
        if buffer[2:4] != b"\0\0" or not 3 <= length <= _LONGEST:
            raise FrameError("no header of Modbus TCP", used=1)
        size = _HEADER - 1 + length
        if len(buffer) < size:
            return 0, None
        frame = bytes(buffer[:size])
        if int.from_bytes(frame[:2], "big") != self._transaction:
            return size, None
        if frame[6] != self._ask.device or frame[7] & ~_REFUSED != self._ask.function:
            raise FrameError("an answer to something else", used=size)
        return size, _answer(self._framer, frame, self._ask, used=size)


def _request(framer: FramerBase, ask: Ask, transaction: int) -> bytes:
    message = _REQUESTS[ask.function](
        address=ask.address, count=ask.count, dev_id=ask.device, transaction_id=transaction
    )
    return framer.buildFrame(message)


def _answer(framer: FramerBase, frame: bytes, ask: Ask, *, used: int) -> Answer:
    """Have a frame of the right size and kind checked and opened."""
    try:
        _, message = framer.handleFrame(frame, ask.device, 0)
    except ModbusException as error:
        raise FrameError(f"no answer: {error}", used=used) from error
    if message is None:
        raise FrameError("wrong checksum", used=used)
    if message.isError():
        return Answer(refusal=int(getattr(message, "exception_code", 0)))
    if len(message.registers) != ask.count:
        raise FrameError(f"{len(message.registers)} registers, not {ask.count}", used=used)
    return Answer(tuple(message.registers))
