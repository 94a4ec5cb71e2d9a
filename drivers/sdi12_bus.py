"""One SDI-12 wire and all who use it: turns, and the retries that the standard orders.

Source: SDI-12 Support Group, Version 1.4, 20 February 2023, section 7. A turn is one break and the
tries behind it. A sensor that does not answer gives the wire up between its turns, so that it costs
the others little.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import AsyncGenerator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from typing import Generic, TypeVar

from acquire.clock import Clock
from acquire.errors import FrameError, MeterError, MeterLost
from drivers.codecs.sdi12 import RESPONSE_MOST
from drivers.line import open_line
from drivers.ports import is_url
from drivers.profile import SerialSettings
from drivers.sdi12_profile import Adapter
from drivers.sdi12_wire import Wire
from drivers.shared_port import shared_port, wire_words

__all__ = ["Bus", "Complaint", "NoAnswer", "shared_bus"]

TURNS = 3
"""A sequence of break and tries is repeated at least two more times."""
TRIES = 3
"""A command is repeated at least two more times without another break ..."""
AWAKE_AFTER_S = 0.1
"""... one of them so long after the break, when every sensor is awake."""
QUIET_S = 0.017
"""From a bad answer to the next try: at least 16.67 ms."""
LATE_PATIENCE = 4
"""An answer later than this many times the adapter's patience is no longer waited out."""

Answer = TypeVar("Answer")
Complaint = Callable[[FrameError, bytes], None]


class NoAnswer(MeterError):
    """No usable answer after all the tries. `heard` says whether any bytes came."""

    def __init__(self, message: str, *, heard: bool) -> None:
        self.heard = heard
        super().__init__(message)


@dataclass(slots=True)
class _Question(Generic[Answer]):
    """A command and what became of its tries."""

    command: str
    parse: Callable[[str], Answer]
    longest: int
    complain: Complaint
    silences: int = 0
    problem: str = ""
    answer: Answer = field(init=False)


class Bus:
    """One opened wire. A lost link closes it for all: each sensor's next command raises."""

    def __init__(self, wire: Wire, clock: Clock) -> None:
        self.is_over = False
        self._wire = wire
        self._clock = clock
        self._turn = asyncio.Lock()
        self._owed_until_s: dict[str, float] = {}
        """By address: until when answers may come to tries that were given up."""

    @property
    def patience_s(self) -> float:
        """How much longer than the standard's time an answer may take."""
        return self._wire.adapter.patience_s

    async def close(self) -> None:
        self.is_over = True
        await self._wire.line.close()

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
        question = _Question(command, parse, longest, complain)
        await self._let_pass(command[0])
        for turn in range(TURNS):
            async with self._turn:
                with self._noticing():
                    if await self._tries(question, anew=turn > 0):
                        self._note_owed(question)
                        if then is not None:
                            await then(question.answer)
                        return question.answer
        self._note_owed(question)
        raise NoAnswer(question.problem or "nothing came", heard=bool(question.problem))

    async def wait_for(self, said: str, within_s: float, complain: Complaint) -> bool:
        """Wait in one's turn for a line of which the sensor says when it comes; True if it did."""
        end_s = self._clock.now().t_s + within_s
        while (left_s := end_s - self._clock.now().t_s) > 0:
            try:
                text = await self._wire.hear(left_s, longest=RESPONSE_MOST)
                if text == said:
                    return True
            except FrameError as error:
                complain(error, self._wire.raw)
            else:
                if text is not None:
                    complain(FrameError("not the service request"), self._wire.raw)
        return False

    async def _tries(self, question: _Question[Answer], *, anew: bool) -> bool:
        """Take one turn: a break where one is needed, and the tries behind it."""
        wire = self._wire
        await wire.wake(question.command[0], anew=anew)
        tries, is_enough = 0, False
        while not is_enough:
            # A transparent adapter makes a break before each command: every try is a turn.
            is_awake = wire.since_break_s > AWAKE_AFTER_S
            tries += 1
            is_enough = (tries >= TRIES and is_awake) or wire.adapter.break_by == "adapter"
            try:
                text = await wire.exchange(question.command, question.longest)
                if text is not None:
                    question.answer = question.parse(text)
                    return True
                question.silences += 1
            except FrameError as error:
                question.problem = str(error)
                question.complain(error, wire.raw)
                await self._clock.sleep(QUIET_S)
            if wire.is_asleep:
                return False
        return False

    async def _let_pass(self, address: str) -> None:
        """Let answers pass that may still come to tries of an earlier command.

        An answer does not say which command it belongs to: one that came too late for its own try
        would be taken for that to the next command, and shift all answers by one. Others may use
        the wire meanwhile: what the wrong address says is no answer to them.
        """
        wait_s = self._owed_until_s.pop(address, 0.0) - self._clock.now().t_s
        if wait_s > 0:
            await self._clock.sleep(wait_s)

    def _note_owed(self, question: _Question[Answer]) -> None:
        """Each try that was given up may be answered as late as the one that was heard."""
        if question.silences:
            each_s = self._wire.wait_s(question.command, question.longest)
            late_s = question.silences * each_s + LATE_PATIENCE * self.patience_s
            self._owed_until_s[question.command[0]] = self._clock.now().t_s + late_s

    @contextmanager
    def _noticing(self) -> Iterator[None]:
        try:
            yield
        except MeterLost:
            self.is_over = True
            raise


@asynccontextmanager
async def shared_bus(
    device: str, settings: SerialSettings, adapter: Adapter, clock: Clock
) -> AsyncGenerator[Bus]:
    """Give the program's one bus on a resolved port; opened by the first user, closed by the last.

    MeterUnavailable when the port cannot be opened, or is open with other settings.
    """

    async def opened() -> Bus:
        return Bus(Wire(await open_line(device, settings), adapter, clock), clock)

    parts = f"break by {adapter.break_by}, parity by {adapter.parity}"
    terms = f"SDI-12 at {wire_words(settings)}, {parts}, answers within {adapter.patience_s:g} s"
    async with shared_port(_one_name(device), terms, opened) as bus:
        yield bus


def _one_name(device: str) -> str:
    """The same for every link to a port."""
    return device if is_url(device) else os.path.realpath(device)
