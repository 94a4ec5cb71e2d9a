"""The far end of an SDI-12 wire: who is awake, who answers when, and what may go wrong.

A pseudo-terminal carries no break, so the front is told of it by `hear_break`; or it plays a
transparent adapter, which makes a break by itself where one is needed and hands on whole lines.
Everything takes the time its characters take at 1200 baud.

Times: SDI-12 Support Group, Version 1.4, 20 February 2023, section 7.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from acquire.clock import Clock
from acquire.errors import FrameError
from drivers.codecs.sdi12 import CHARACTER_S, check_characters, with_parity, without_parity
from simulators.sdi12_sensor import Sdi12Sensor
from simulators.speech import LineFaults, Wire

__all__ = ["Sdi12Faults", "Sdi12Front"]

_ANSWER_S = 0.009
"""From command to answer: between 8.33 and 15 ms."""
_ASLEEP_S = 0.1
"""Marking after which sensors go back to sleep."""
_COMMAND_MOST = 64


@dataclass(frozen=True, slots=True)
class Sdi12Faults:
    """What may happen, as chances in [0, 1], one draw each an answer."""

    line: LineFaults = field(default_factory=LineFaults)
    """On any wire: silence, half lines, flipped bits, garbage, stutter."""
    no_request: float = 0.0
    """A service request is left out."""
    bad_crc: float = 0.0
    """The last check character of an answer that has them is another."""
    late: float = 0.0
    """An answer comes up to a second and a half late."""
    contention: float = 0.0
    """Another sensor talks at the same time: spacing wins."""

    def spoil(self, said: str, draw: random.Random) -> bytes:
        """Give an answer, without CR LF, as it comes over the wire with it."""
        if draw.random() < self.bad_crc and said[-3:] == check_characters(said[:-3]):
            said = said[:-1] + chr(ord(said[-1]) ^ 1)
        data = said.encode() + b"\r\n"
        if draw.random() < self.contention:
            data = collide(data, draw.randbytes(len(data)))
        return self.line.spoil(data, draw)


class Sdi12Front:
    """The sensors on one wire, found by their addresses."""

    def __init__(
        self,
        wire: Wire,
        sensors: Sequence[Sdi12Sensor],
        *,
        clock: Clock,
        makes_break: bool = True,
        parity: bool = False,
        faults: Sdi12Faults = Sdi12Faults(),
        seed: object = 0,
    ) -> None:
        """`makes_break`: it is a transparent adapter. `parity`: the eighth bit carries it."""
        self.faults = faults
        self.sensors = sensors
        self.heard: list[str] = []
        """Commands that reached a sensor, in their order; the last thousand."""
        self.breaks = 0
        self._wire = wire
        self._clock = clock
        self._makes_break = makes_break
        self._parity = parity
        self._draw = random.Random(f"sdi12:{seed}")
        self._rest = b""
        self._broke_s = self._marking_since_s = float("-inf")
        self._listening: str | None = None
        """Address of the one sensor that still listens; None means all."""

    def hear_break(self) -> None:
        """The recorder holds the wire in spacing: all wake up, and begin anew."""
        now_s = self._clock.now().t_s
        self.breaks += 1
        self._broke_s = self._marking_since_s = now_s
        self._listening = None
        self._rest = b""
        for sensor in self.sensors:
            sensor.hear_break(now_s)

    async def serve(self) -> None:
        """Answer until cancelled."""
        async with asyncio.TaskGroup() as group:
            while True:
                data = await self._wire.receive()
                for command in self._commands(data):
                    await self._obey(command, group)

    def _commands(self, data: bytes) -> list[str]:
        if self._parity:
            try:
                data = without_parity(data)
            except FrameError:
                return []  # a sensor ignores it
        *ended, rest = (self._rest + data).split(b"!")
        self._rest = rest[-_COMMAND_MOST:]
        return [command.decode("ascii", "replace") for command in ended]

    async def _obey(self, command: str, group: asyncio.TaskGroup) -> None:
        if not command:
            return
        if self._makes_break and not self._is_awake(command[0]):
            self.hear_break()
        if not self._is_awake(command[0]):
            return
        begun_s = self._clock.now().t_s
        await self._clock.sleep((len(command) + 1) * CHARACTER_S)
        if self._broke_s > begun_s:
            return  # a break came in between
        self._listening = command[0]
        self._marking_since_s = self._clock.now().t_s
        answers = self._answers(command, begun_s)
        if not answers:
            return
        self.heard = [*self.heard[-999:], command]
        data = b""
        for said in answers.values():
            spoilt = self.faults.spoil(said, self._draw)
            data = collide(data, spoilt) if data else spoilt
        if self._draw.random() < self.faults.late:
            group.create_task(self._send(data, self._draw.uniform(0.2, 1.5)))
            return
        await self._send(data, _ANSWER_S)
        for sensor in answers:
            wait_s = sensor.requests_in_s(self._clock.now().t_s)
            if wait_s is not None and command[1:2] in {"M", "V"}:
                group.create_task(self._request(sensor, wait_s))

    def _is_awake(self, address: str) -> bool:
        is_marking = self._clock.now().t_s - self._marking_since_s
        return is_marking < _ASLEEP_S and self._listening in {None, address}

    def _answers(self, command: str, begun_s: float) -> Mapping[Sdi12Sensor, str]:
        answers = {}
        now_s = self._clock.now().t_s
        for sensor in self.sensors:
            has_woken = self._makes_break or begun_s - self._broke_s >= sensor.wakes_in_s
            if command[0] in {"?", sensor.address} and has_woken:
                said = sensor.answer("" if command == "?" else command[1:], now_s)
                if said is not None:
                    answers[sensor] = said
        return answers

    async def _request(self, sensor: Sdi12Sensor, wait_s: float) -> None:
        """Ask for service when the values are there, unless the measurement was broken off."""
        begun = sensor.begun
        await self._clock.sleep(wait_s)
        is_still = sensor.begun == begun and sensor.take(self._clock.now().t_s)
        if is_still and not sensor.is_dead and self._draw.random() >= self.faults.no_request:
            await self._send(self.faults.spoil(sensor.address, self._draw), 0.0)

    async def _send(self, data: bytes, after_s: float) -> None:
        """Say it: an adapter hands on whole lines, a bare wire the characters as they come."""
        if self._parity:
            data = with_parity(bytes(byte & 0x7F for byte in data))
        await self._clock.sleep(after_s)
        piece = len(data) if self._makes_break else 1
        for begin in range(0, len(data), piece or 1):
            await self._clock.sleep(piece * CHARACTER_S)
            self._wire.send(data[begin : begin + piece])
        self._marking_since_s = self._clock.now().t_s


def collide(one: bytes, other: bytes) -> bytes:
    """Two talk at once: each bit is marking (1) only where both say so."""
    length = max(len(one), len(other))
    pairs = zip(one.ljust(length, b"\xff"), other.ljust(length, b"\xff"), strict=True)
    return bytes(a & b for a, b in pairs)
