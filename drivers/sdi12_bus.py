"""One SDI-12 wire: breaks, commands, answers and the retries that the standard orders.

Source of every time here: SDI-12 Support Group, Version 1.4, 20 February 2023, sections 4.1 and 7.
The wire is one for all its sensors, so they take turns: a turn is one break and the tries behind
it. A sensor that does not answer gives the wire up between its turns.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import AsyncGenerator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from typing import TypeVar

from acquire.clock import Clock
from acquire.errors import FrameError, MeterError, MeterLost
from drivers.codecs.sdi12 import (
    CHARACTER_S,
    RESPONSE_MOST,
    decode,
    with_parity,
    without_parity,
)
from drivers.line import Line, open_line
from drivers.ports import is_url
from drivers.profile import SerialSettings
from drivers.sdi12_profile import Adapter
from drivers.shared_port import shared_port, wire_words

__all__ = ["Bus", "NoAnswer", "shared_bus"]

TURNS = 3
"""A sequence of break and tries is repeated at least two more times."""
TRIES = 3
"""A command is repeated at least two more times without another break ..."""
AWAKE_AFTER_S = 0.1
"""... one of them so long after the break, when every sensor is awake."""
MARK_S = 0.01
"""Marking between break and command: at least 8.33 ms."""
QUIET_S = 0.017
"""From a bad answer to the next try: at least 16.67 ms."""
ASLEEP_AFTER_S = 0.06
"""Marking after which a new break is needed: 87 ms, less what the way to the wire may take."""
ANSWER_S = 0.015
"""From the command's last stop bit to the first start bit of the answer, at most."""
WRITE_S = 1.0
"""The port must take a command within this; one that holds it back answers nothing either."""

Answer = TypeVar("Answer")
Complaint = Callable[[FrameError, bytes], None]


class NoAnswer(MeterError):
    """No usable answer after all the tries. `heard` says whether any bytes came."""

    def __init__(self, message: str, *, heard: bool) -> None:
        self.heard = heard
        super().__init__(message)


class Bus:
    """One opened line. A lost link closes it for all: each sensor's next command raises."""

    def __init__(self, line: Line, adapter: Adapter, clock: Clock) -> None:
        self.is_over = False
        self._line = line
        self._adapter = adapter
        self._clock = clock
        self._turn = asyncio.Lock()
        self._awake = ""
        """Address of the sensor that listens."""
        self._broke_s = self._quiet_since_s = float("-inf")
        self._raw = b""

    @property
    def patience_s(self) -> float:
        """How much longer than the standard's time an answer may take."""
        return self._adapter.patience_s

    async def close(self) -> None:
        self.is_over = True
        await self._line.close()

    async def ask(
        self,
        command: str,
        parse: Callable[[str], Answer],
        *,
        longest: int,
        complain: Complaint,
        then: Callable[[Answer], Awaitable[None]] | None = None,
    ) -> Answer:
        """Give what `parse` makes of the answer; NoAnswer after all tries, MeterLost at once.

        `longest` is how many characters it may have. `complain` is told of each bad answer. `then`
        is awaited in the same turn: nobody else may be addressed meanwhile.
        """
        problem = NoAnswer("nothing came", heard=False)
        for number in range(TURNS):
            async with self._turn:
                with self._noticing():
                    try:
                        answer = await self._tries(
                            command, parse, longest, complain, anew=number > 0
                        )
                    except NoAnswer as error:
                        problem = error if error.heard or not problem.heard else problem
                        continue
                    if then is not None:
                        await then(answer)
                    return answer
        raise problem

    async def wait_for(self, said: str, within_s: float, complain: Complaint) -> bool:
        """Wait in one's turn for a line of which the sensor says when it comes; True if it did."""
        end_s = self._clock.now().t_s + within_s
        while (left_s := end_s - self._clock.now().t_s) > 0:
            try:
                text = await self._hear(left_s, longest=RESPONSE_MOST)
                if text == said:
                    return True
            except FrameError as error:
                complain(error, self._raw)
            else:
                if text is not None:
                    complain(FrameError("not the service request"), self._raw)
        return False

    async def _tries(
        self,
        command: str,
        parse: Callable[[str], Answer],
        longest: int,
        complain: Complaint,
        *,
        anew: bool,
    ) -> Answer:
        await self._wake(command[0], anew=anew)
        tries, problem = 0, NoAnswer("nothing came", heard=False)
        while True:
            begun_s = self._clock.now().t_s
            try:
                text = await self._exchange(command, longest)
                if text is not None:
                    return parse(text)
            except FrameError as error:
                problem = NoAnswer(str(error), heard=True)
                complain(error, self._raw)
                await self._clock.sleep(QUIET_S)
            tries += 1
            # A transparent adapter makes a break before each command: every try is a turn.
            is_enough = tries >= TRIES and begun_s - self._broke_s > AWAKE_AFTER_S
            if is_enough or self._adapter.break_by == "adapter":
                raise problem
            await self._wake(command[0])

    async def _wake(self, address: str, *, anew: bool = False) -> None:
        """Send a break, unless the sensor is known to be listening still."""
        if self._adapter.break_by == "adapter":
            return
        silent_s = self._clock.now().t_s - self._quiet_since_s
        if not anew and address == self._awake and silent_s < ASLEEP_AFTER_S:
            return
        await self._line.send_break(self._adapter.break_s)
        self._broke_s = self._clock.now().t_s
        self._awake = address
        await self._clock.sleep(MARK_S)

    async def _exchange(self, command: str, longest: int) -> str | None:
        """Send a command and give the answer's text; None when none comes."""
        data = command.encode("ascii")
        self._line.reset_input()  # a late answer to the last command is none to this
        try:
            async with self._clock.timeout(WRITE_S):
                await self._line.write(
                    data if self._adapter.parity == "port" else with_parity(data)
                )
        except TimeoutError:
            return None
        sent_s = len(data) * CHARACTER_S
        self._quiet_since_s = self._clock.now().t_s + sent_s
        wait_s = sent_s + ANSWER_S + self.patience_s
        if self._adapter.break_by == "adapter":
            wait_s += longest * CHARACTER_S  # it may hand on whole lines only
        return await self._hear(wait_s, longest=longest, echo=command)

    async def _hear(self, wait_s: float, *, longest: int, echo: str = "") -> str | None:
        """Give the next line without the echo of the command; None when nothing comes in time."""
        raw, buffer = bytearray(), bytearray()
        now_s = self._clock.now().t_s
        end_s = now_s + wait_s + longest * CHARACTER_S + self.patience_s
        self._raw = b""
        while now_s < end_s:
            try:
                async with self._clock.timeout(min(wait_s, end_s - now_s)):
                    data = await self._line.read()
            except TimeoutError:
                break
            now_s = self._quiet_since_s = self._clock.now().t_s
            raw += data
            self._raw = bytes(raw)
            buffer += self._plain(data)
            used, text = 1, None
            while used and not text:
                used, text = decode(buffer)
                del buffer[:used]
                text = text and text.removeprefix(echo)
            if text:
                return text
            if buffer and buffer != echo.encode():
                # What has begun goes on without a gap: 1.66 ms, and the way here.
                wait_s = self.patience_s
        if buffer and buffer != echo.encode():
            raise FrameError("the answer broke off")
        return None

    def _plain(self, data: bytes) -> bytes:
        match self._adapter.parity:
            case "port":
                return data
            case "software":
                return without_parity(data)
            case "ignore":
                return bytes(byte & 0x7F for byte in data)

    @contextmanager
    def _noticing(self) -> Iterator[None]:
        try:
            yield
        except MeterLost:
            self.is_over = True
            raise


@asynccontextmanager
async def shared_bus(
    device: str, wire: SerialSettings, adapter: Adapter, clock: Clock
) -> AsyncGenerator[Bus]:
    """Give the program's one bus on a resolved port; opened by the first user, closed by the last.

    MeterUnavailable when the port cannot be opened, or is open with other settings.
    """

    async def opened() -> Bus:
        return Bus(await open_line(device, wire), adapter, clock)

    parts = f"break by {adapter.break_by}, parity by {adapter.parity}"
    terms = f"SDI-12 at {wire_words(wire)}, {parts}, answers within {adapter.patience_s:g} s"
    async with shared_port(_one_name(device), terms, opened) as bus:
        yield bus


def _one_name(device: str) -> str:
    """The same for every link to a port."""
    return device if is_url(device) else os.path.realpath(device)
