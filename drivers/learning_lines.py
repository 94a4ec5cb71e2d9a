"""From bytes nobody described to lines of text: what ends them, how they are encoded. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from drivers.codecs.checksum import CHECKSUMS, ChecksumName
from drivers.codecs.framing import Checksum, Encoding

__all__ = ["Judgement", "Lines", "judge", "lines_of"]

Judgement = Literal["text", "7E1", "7O1", "noise"]
"""Text as it is; text whose eighth bit is an even or odd parity bit; or neither."""

_TERMINATORS = (b"\r\n", b"\n", b"\r")
_LEAST_BYTES = 6
_TEXT_SHARE = 0.97
_MARKS = b"*#~!|/&^"
_OUTSIDE = re.compile(rb"[^\x20-\x7e\r\n\t]")
# What meters write beyond ASCII, as one byte: degree, micro, per mille, superscripts, plus-minus.
_LATIN_SIGNS = {0xB0, 0xB5, 0xB1, 0xB2, 0xB3, 0xB7, 0xE4, 0xF6, 0xFC, 0xE9, 0xE8, 0xBA}


@dataclass(frozen=True, slots=True)
class Lines:
    """A stream cut into lines."""

    terminator: bytes
    encoding: Encoding
    checksum: Checksum | None
    texts: Sequence[str]
    """Without terminator, checksum and blanks around; in the order they came."""
    raw: Sequence[bytes]
    """The same lines as they came."""

    @property
    def longest(self) -> int:
        """Bytes of the longest line."""
        return max(map(len, self.raw), default=0)


def judge(data: bytes) -> Judgement:
    """Say whether bytes are text, text with parity in the eighth bit, or make no sense.

    At a wrong speed bits are read at wrong moments: most bytes then lie outside ASCII.
    """
    if len(data) < _LEAST_BYTES:
        return "noise"
    if _is_text(data):
        return "text"
    plain = bytes(one & 0x7F for one in data)
    if _is_text(plain):
        odd = [one.bit_count() & 1 for one in data]
        if not any(odd):
            return "7E1"
        if all(odd):
            return "7O1"
    return "noise"


def _is_text(data: bytes) -> bool:
    try:
        strange = len(_OUTSIDE.findall(data.decode("utf-8").encode("ascii", "ignore")))
    except UnicodeDecodeError:
        found = [one[0] for one in _OUTSIDE.findall(data)]
        strange = sum(one not in _LATIN_SIGNS for one in found)
    is_clean = strange <= (1 - _TEXT_SHARE) * len(data)
    return is_clean and any(0x30 <= one <= 0x39 for one in data)


def lines_of(data: bytes) -> Lines | None:
    """Cut the stream into lines; None when it has no line ends or no encoding fits.

    The first piece may be the end of a line, the last its beginning: the first is left out where
    there are others, the last always.
    """
    terminator = _terminator(data)
    if terminator is None:
        return None
    *pieces, _ = data.split(terminator)
    whole = pieces[1:] if len(pieces) > 2 else pieces
    raw = [piece for piece in whole if piece.strip()]
    encoding = _encoding(raw)
    if not raw or encoding is None:
        return None
    checksum = _checksum(raw)
    bodies = raw if checksum is None else [_body(line, checksum) for line in raw]
    texts = [body.decode(encoding, "replace").strip() for body in bodies]
    kept = [(text, line) for text, line in zip(texts, raw, strict=True) if _is_printable(text)]
    if not kept:
        return None
    return Lines(terminator, encoding, checksum, [t for t, _ in kept], [line for _, line in kept])


def _is_printable(text: str) -> bool:
    return bool(text) and text.replace("\t", " ").isprintable()


def _terminator(data: bytes) -> bytes | None:
    pairs = data.count(b"\r\n")
    alone = {b"\r\n": pairs, b"\n": data.count(b"\n") - pairs, b"\r": data.count(b"\r") - pairs}
    best = max(_TERMINATORS, key=lambda one: alone[one])
    return best if alone[best] else None


def _encoding(lines: Sequence[bytes]) -> Encoding | None:
    joined = b"\n".join(lines)
    encodings: tuple[Encoding, ...] = ("utf-8", "latin-1")
    for encoding in encodings:
        try:
            text = joined.decode(encoding)
        except UnicodeDecodeError:
            continue
        if sum(not one.isprintable() and one not in "\n\t" for one in text) * 20 <= len(text):
            return encoding
    return None


def _checksum(lines: Sequence[bytes]) -> Checksum | None:
    """Find a checksum that all lines but a few damaged ones keep; one is not believed of one line.

    Where the display stands still and every line is the same, a chance in 256 is too much: then the
    mark before the digits must be one that is used for this.
    """
    distinct = list(dict.fromkeys(lines))
    for checksum in _candidates(distinct[-1]):
        good = [line for line in distinct if _keeps(line, checksum)]
        is_likely = len(good) >= 3 or (bool(checksum.mark) and checksum.mark in _MARKS)
        if is_likely and good and len(good) >= 0.8 * len(distinct):
            return checksum
    return None


def _candidates(line: bytes) -> Iterator[Checksum]:
    text = line.rstrip()
    for kind in CHECKSUMS:
        digits = _digits(kind)
        before, tail = text[:-digits], text[-digits:]
        if not before or not re.fullmatch(rb"[0-9A-Fa-f]+", tail):
            continue
        starts = [b""] if text[:1].isalnum() else [text[:1], b""]
        marks = [b""] if before[-1:].isalnum() else [before[-1:], b""]
        yield from (Checksum(kind, mark, after) for mark in marks for after in starts)


def _digits(kind: ChecksumName) -> int:
    return 4 if kind == "crc16-modbus" else 2


def _keeps(line: bytes, checksum: Checksum) -> bool:
    text, digits = line.rstrip(), _digits(checksum.kind)
    summed = _body(line, checksum)
    if not text[:-digits].endswith(checksum.mark):
        return False
    if checksum.after:
        _, found, summed = summed.partition(checksum.after)
        if not found:
            return False
    return text[-digits:].upper() == CHECKSUMS[checksum.kind](summed).encode()


def _body(line: bytes, checksum: Checksum) -> bytes:
    body = line.rstrip()[: -_digits(checksum.kind)]
    return body.removesuffix(checksum.mark) if checksum.mark else body
