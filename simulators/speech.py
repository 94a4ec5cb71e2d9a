"""What a simulated meter says on its wire: a dialect, at its rate or when asked, with faults."""

from __future__ import annotations

import math
import random
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Protocol

from acquire.clock import Clock
from acquire.errors import ConfigError
from drivers.codecs.dialects import (
    POLL_COMMAND,
    POLL_REFUSED,
    encode_columns,
    encode_labelled,
    encode_polled,
)
from simulators.display import Shown

__all__ = ["DIALECTS", "Dialect", "LineFaults", "Wire", "find_dialect", "speak"]

_ANSWER_S = 0.08
"""From command to answer: inside the 0.3 s the dialect promises."""
_COMMAND_MOST = 64
"""Bytes a meter keeps of a command: more is no command of its own."""
_PENDING_MOST = 8
"""Commands it remembers while it answers; the rest of a flood is lost."""


class Wire(Protocol):
    """What a front offers to a meter."""

    def send(self, data: bytes) -> int: ...

    async def receive(self) -> bytes: ...


@dataclass(frozen=True, slots=True)
class Dialect:
    """How a kind of meter writes its lines."""

    name: str
    baud: int
    encode: Callable[[Shown], bytes]
    polled: bool = False


DIALECTS: Mapping[str, Dialect] = MappingProxyType(
    {
        dialect.name: dialect
        for dialect in (
            Dialect("labelled", 9600, encode_labelled),
            Dialect("columns", 19200, encode_columns),
            Dialect("polled", 9600, encode_polled, polled=True),
        )
    }
)


def find_dialect(name: str) -> Dialect:
    """Give the dialect of that name; ConfigError names those there are."""
    if name not in DIALECTS:
        raise ConfigError("unknown dialect", found=name, allowed=", ".join(DIALECTS))
    return DIALECTS[name]


@dataclass(frozen=True, slots=True)
class LineFaults:
    """What may happen to a line on a bad wire: chances in [0, 1], one draw each a line."""

    silence: float = 0.0
    """It is not said at all."""
    half: float = 0.0
    """It breaks off, its end included."""
    flip: float = 0.0
    """One bit of it comes over wrong."""
    garbage: float = 0.0
    """Up to 32 random bytes come before it."""
    stutter: float = 0.0
    """It is said twice."""

    def spoil(self, line: bytes, draw: random.Random) -> bytes:
        """Give the line as it comes over the wire."""
        if draw.random() < self.silence:
            return b""
        if draw.random() < self.half:
            line = line[: draw.randrange(len(line))]
        if draw.random() < self.flip and line:
            at = draw.randrange(len(line))
            line = line[:at] + bytes((line[at] ^ (1 << draw.randrange(8)),)) + line[at + 1 :]
        if draw.random() < self.garbage:
            line = draw.randbytes(draw.randint(1, 32)) + line
        return line * 2 if draw.random() < self.stutter else line


async def speak(
    wire: Wire,
    dialect: Dialect,
    show: Callable[[], Shown],
    *,
    clock: Clock,
    rate_hz: float = 1.0,
    faults: LineFaults = LineFaults(),
    seed: object = 0,
) -> None:
    """Say what `show` gives until cancelled: at the rate, or, when polled, at each command."""
    draw = random.Random(f"wire:{seed}")

    def say() -> bytes:
        return faults.spoil(dialect.encode(show()), draw)

    if dialect.polled:
        await _answer(wire, say, clock)
        return
    start_s, line = clock.now().t_s, 0
    while True:
        wire.send(say())
        # After a pause of the machine lines are left out, never sent in a burst.
        line = max(line, math.floor((clock.now().t_s - start_s) * rate_hz)) + 1
        await clock.sleep(start_s + line / rate_hz - clock.now().t_s)


async def _answer(wire: Wire, say: Callable[[], bytes], clock: Clock) -> None:
    commands = _Commands()
    while True:
        for command in commands.feed(await wire.receive()):
            await clock.sleep(_ANSWER_S)
            wire.send(say() if command == POLL_COMMAND.strip() else POLL_REFUSED)


class _Commands:
    """Cuts what the host sends into commands; whatever it sends, little of it is kept."""

    def __init__(self) -> None:
        self._rest = b""

    def feed(self, data: bytes) -> Iterator[bytes]:
        *ended, rest = re.split(rb"\r\n|\r|\n", self._rest + data)
        # Of an endless command the beginning is enough to know that it is none.
        self._rest = rest[: _COMMAND_MOST + 1]
        return iter([command for command in ended if command][:_PENDING_MOST])
