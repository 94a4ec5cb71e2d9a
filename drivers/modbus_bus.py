"""A line that several Modbus meters share: opened once in the program, one request at a time.

The first meter opens the port and the last one closes it. A meter that does not answer must not
cost the others their turns, so those that answer say when they are due next, and one that missed
its last answer is asked in the gaps between.
"""

from __future__ import annotations

import asyncio
import math
import os
from collections.abc import AsyncGenerator
from contextlib import asynccontextmanager
from dataclasses import dataclass

from acquire.clock import Clock
from acquire.errors import FrameError, MeterLost
from drivers.codecs.modbus_frames import Answer, Ask, Frames, RtuFrames, TcpFrames
from drivers.line import Line, open_line
from drivers.ports import is_url
from drivers.profile import SerialSettings
from drivers.shared_port import shared_port, wire_words

__all__ = ["Bus", "Heard", "shared_bus"]

_QUIET_CHARACTERS = 3.5
_QUIET_LEAST_S = 0.00175
"""Between frames: MODBUS over Serial Line V1.02, 2.5.1.1; fixed from 19200 bit/s upwards."""
_CHARACTER_BITS = 11
_LEAST_S = 0.05
"""No meter is asked for less time than this."""
_WRITE_S = 1.0
_FRAME_MOST = 260
_ANSWER_BYTES = 5
_ASK_BYTES = 8


@dataclass(frozen=True, slots=True)
class Heard:
    """What came of one request."""

    answer: Answer | None
    """None when none came in time."""
    bad_frames: int = 0
    """Frames that began like the answer and were none."""
    noise: int = 0
    """Bytes that came without making an answer, the echo of the request left out."""
    late: int = 0
    """Bytes that came since the request before, if that went to the same device."""


class Bus:
    """One opened line. A lost link closes it for all: each meter's next request raises."""

    def __init__(
        self, line: Line, frames: Frames, clock: Clock, wire: SerialSettings | None
    ) -> None:
        """`wire` gives the time of bytes on a serial line; None takes it to be nothing."""
        self._line = line
        self._frames = frames
        self._clock = clock
        self._byte_s = 0.0 if wire is None else _CHARACTER_BITS / wire.baudrate
        self._quiet_s = 0.0
        if wire is not None:
            self._quiet_s = max(_QUIET_CHARACTERS * self._byte_s, _QUIET_LEAST_S)
        self._one_at_a_time = asyncio.Lock()
        self._heard_s = -math.inf
        self._last_asked: int | None = None
        self._lost: MeterLost | None = None
        self._dues: dict[object, float] = {}
        self._rested = asyncio.Event()

    @property
    def is_over(self) -> bool:
        """Whether the link is gone."""
        return self._lost is not None

    def rests(self, meter: object, due_s: float) -> None:
        """Say that a meter has answered and when its next turn is, in seconds of the clock."""
        self._dues[meter] = due_s
        self._rested.set()

    def leaves(self, meter: object) -> None:
        """Say that a meter does not answer, or is read no more: nobody waits for its turn."""
        self._dues.pop(meter, None)
        self._rested.set()

    async def ask(self, ask: Ask, timeout_s: float) -> Heard:
        """Ask as soon as the line is free. MeterLost when the link is gone."""
        async with self._one_at_a_time:
            return await self._exchange(ask, self._budget_s(ask, timeout_s))

    async def ask_in_a_gap(self, ask: Ask, timeout_s: float, *, whole: bool) -> Heard:
        """Ask when no meter that answers is due before the time is up.

        Where no gap is that long, the time is cut to the gap that follows a turn; unless it shall
        be `whole`, whoever is due.
        """
        budget_s = enough_s = self._budget_s(ask, timeout_s)
        for _ in range(len(self._dues) + 1):
            async with self._one_at_a_time:
                room_s = self._room_s()
                if room_s >= enough_s or self.is_over:
                    return await self._exchange(ask, min(budget_s, room_s))
                self._rested.clear()
            await self._rested.wait()
            enough_s = budget_s if whole else min(_LEAST_S, budget_s)
        async with self._one_at_a_time:
            room_s = math.inf if whole else max(self._room_s(), _LEAST_S)
            return await self._exchange(ask, min(budget_s, room_s))

    async def close(self) -> None:
        self._lost = self._lost or MeterLost("the line was closed")
        self._rested.set()
        await self._line.close()

    def _room_s(self) -> float:
        return min(self._dues.values(), default=math.inf) - self._clock.now().t_s

    def _budget_s(self, ask: Ask, timeout_s: float) -> float:
        return timeout_s + (_ASK_BYTES + _ANSWER_BYTES + 2 * ask.count) * self._byte_s

    async def _exchange(self, ask: Ask, budget_s: float) -> Heard:
        if self._lost is not None:
            raise MeterLost(str(self._lost)) from self._lost
        try:
            quiet_s = self._heard_s + self._quiet_s - self._clock.now().t_s
            if quiet_s > 0:
                await self._clock.sleep(quiet_s)
            dropped = self._line.reset_input()
            late = dropped if self._last_asked == ask.device else 0
            self._last_asked = ask.device
            catch = _Catch(self._frames, self._frames.request(ask))
            try:
                async with self._clock.timeout(_WRITE_S):
                    await self._line.write(catch.sent)
                async with self._clock.timeout(budget_s):
                    while catch.answer is None:
                        catch.take(await self._line.read())
            except TimeoutError:
                pass
            return catch.heard(late)
        except MeterLost as lost:
            self._lost = lost
            await self.close()
            raise
        finally:
            self._heard_s = self._clock.now().t_s


class _Catch:
    """Picks the answer out of what comes after one request."""

    def __init__(self, frames: Frames, sent: bytes) -> None:
        self.sent = sent
        self.answer: Answer | None = None
        self._frames = frames
        self._buffer = bytearray()
        self._bad_frames = 0
        self._bytes = 0
        self._first = b""

    def take(self, data: bytes) -> None:
        self._buffer += data
        self._bytes += len(data)
        self._first += data[: _FRAME_MOST - len(self._first)]
        used = 1
        while used and self.answer is None:
            try:
                used, self.answer = self._frames.decode(self._buffer)
            except FrameError as error:
                used = error.used
                self._bad_frames += 1
            del self._buffer[:used]

    def heard(self, late: int) -> Heard:
        if self.answer is not None:
            return Heard(self.answer, self._bad_frames, 0, late)
        echo = len(self.sent) if self.sent in self._first else 0  # an adapter that hears itself
        return Heard(None, self._bad_frames, self._bytes - echo, late)


@asynccontextmanager
async def shared_bus(
    port: str, wire: SerialSettings, clock: Clock, *, tcp: bool
) -> AsyncGenerator[Bus]:
    """Give the program's one bus on a resolved port; opened by the first user, closed by the last.

    MeterUnavailable when the port cannot be opened, or is open with other serial settings.
    """

    async def opened() -> Bus:
        line = await open_line(port, wire)
        return Bus(line, TcpFrames(), clock, None) if tcp else Bus(line, RtuFrames(), clock, wire)

    terms = "Modbus TCP" if tcp else f"Modbus RTU at {wire_words(wire)}"
    key = port if is_url(port) else os.path.realpath(port)  # noqa: ASYNC240  (a link, no disk)
    async with shared_port(key, terms, opened) as bus:
        yield bus
