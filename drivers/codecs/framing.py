"""Bytes to lines: terminator, bounded length, encoding, checksum. Pure; never a half line.

``decode(buffer) -> (used, frame | None)``: `used` bytes of the buffer are done with; (0, None)
means more bytes are needed. Any split of the same bytes gives the same frames and the same errors,
and nothing but `FrameError` is raised.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from acquire.errors import FrameError
from drivers.codecs.checksum import CHECKSUMS, ChecksumName

__all__ = ["RAW_LIMIT", "Checksum", "Encoding", "Frame", "Framer", "printable"]

Encoding = Literal["ascii", "utf-8", "latin-1"]

RAW_LIMIT = 256
"""Characters of a line that are kept for people to look at."""


@dataclass(frozen=True, slots=True)
class Checksum:
    """How a line ends in the hexadecimal digits of a checksum over what stands before them."""

    kind: ChecksumName
    mark: bytes = b"*"
    """Stands between what is summed and the digits, and is not summed; may be empty."""
    after: bytes = b""
    """Summing starts behind the first of these; empty: at the start of the line."""


@dataclass(frozen=True, slots=True)
class Frame:
    """One whole line: as it came, and as text without checksum and surrounding blanks."""

    raw: bytes
    text: str


class Framer:
    """Cuts a stream into lines. Its only state is whether the rest of a line is being skipped."""

    def __init__(
        self,
        terminator: bytes,
        *,
        max_length: int,
        encoding: Encoding = "utf-8",
        checksum: Checksum | None = None,
    ) -> None:
        if not terminator or max_length < 1:
            raise ValueError("a line needs a terminator and a length above zero")
        self._terminator = terminator
        self._max_length = max_length
        self._encoding = encoding
        self._checksum = checksum
        self._is_skipping = False

    @property
    def is_skipping(self) -> bool:
        """Whether what comes now belongs to a line that is being dropped."""
        return self._is_skipping

    def skip_to_terminator(self) -> None:
        """Drop what comes up to the next terminator: it is the end of a line that was missed."""
        self._is_skipping = True

    def reset(self) -> None:
        """Take what comes next for the start of a line."""
        self._is_skipping = False

    def decode(self, buffer: bytes | bytearray) -> tuple[int, Frame | None]:
        """Take the first line off the buffer, which must start where the last call left off.

        Blank lines and the rest of an over-long line are used up silently. `FrameError.used` says
        how many bytes a bad line took, always at least one.
        """
        if self._is_skipping:
            return self._skip(buffer), None
        ending = len(self._terminator)
        # Looking no further than the longest line makes the answer the same for any split.
        end = buffer.find(self._terminator, 0, self._max_length + ending)
        if end < 0:
            if len(buffer) < self._max_length + ending:
                return 0, None
            self._is_skipping = True
            message = f"line longer than {self._max_length} bytes"
            raise FrameError(message, used=self._max_length + 1)
        used = end + ending
        raw = bytes(buffer[:end])
        if not raw.strip():
            return used, None
        return used, Frame(raw, self._text(raw, used))

    def _skip(self, buffer: bytes | bytearray) -> int:
        end = buffer.find(self._terminator)
        if end >= 0:
            self._is_skipping = False
            return end + len(self._terminator)
        return max(0, len(buffer) - len(self._terminator) + 1)  # it may have half arrived

    def _text(self, raw: bytes, used: int) -> str:
        body = raw if self._checksum is None else _checked(raw, self._checksum, used)
        try:
            text = body.decode(self._encoding).strip()
        except UnicodeDecodeError:
            raise FrameError(f"bytes that are not {self._encoding} text", used=used) from None
        if not text.isprintable() and not text.replace("\t", " ").isprintable():
            raise FrameError("control characters in the line", used=used)
        return text


def _checked(raw: bytes, checksum: Checksum, used: int) -> bytes:
    """Give the line without its checksum, or raise when that is missing or wrong."""
    compute = CHECKSUMS[checksum.kind]
    line = raw.rstrip()
    digits = 4 if checksum.kind == "crc16-modbus" else 2
    body, given = line[:-digits], line[-digits:]
    if not body.endswith(checksum.mark):
        raise FrameError("no checksum at the end of the line", used=used)
    body = body[: len(body) - len(checksum.mark)]
    _, found, summed = body.partition(checksum.after) if checksum.after else (b"", b"", body)
    if checksum.after and not found:
        raise FrameError("the line lacks the mark its checksum starts behind", used=used)
    if given.upper() != compute(summed).encode():
        raise FrameError("wrong checksum", used=used)
    return body


def printable(raw: bytes, limit: int = RAW_LIMIT) -> str:
    """Show bytes on one line of at most `limit` characters; what cannot be printed is escaped."""
    text = raw[: 4 * limit].decode("utf-8", "backslashreplace")
    if not text.isprintable():
        text = "".join(
            one if one.isprintable() else one.encode("unicode_escape").decode() for one in text
        )
    return text if len(text) <= limit else text[: limit - 3] + "..."
