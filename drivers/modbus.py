"""The driver for meters with Modbus registers: RTU on a serial line, or TCP."""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import AsyncGenerator, AsyncIterator, Iterable, Sequence
from contextlib import aclosing, asynccontextmanager
from typing import TYPE_CHECKING, ClassVar

from pydantic import BaseModel

from acquire.clock import Clock
from acquire.errors import MeterLost, MeterUnavailable
from acquire.readings import Channel, Flag, Reading
from drivers.codecs.framing import printable
from drivers.codecs.registers import Block, plan, split
from drivers.modbus_settings import ModbusSettings
from drivers.ports import identity_of, resolve
from drivers.shared_port import wire_words

if TYPE_CHECKING:  # loads pymodbus, which only an opened meter needs
    from drivers.modbus_bus import Bus, Heard

__all__ = ["Modbus"]

_ILLEGAL_ADDRESS, _ILLEGAL_VALUE = 2, 3
_WHOLE_TIME_EVERY = 8
"""Of the requests to a silent meter, each so many-th is given its whole time, whoever is due."""
_COMMON_WIRES = ("19200 8E1", "9600 8E1", "9600 8N1", "9600 8N2", "19200 8N1")
"""8E1 at 19200 is the default the standard requires; the others are common practice, no source."""

_REFUSALS_SHOWN = 2

_log = logging.getLogger(__name__)


class Modbus:
    """Readings from registers, asked for on a fixed schedule.

    Counted since the driver was made: `bad_frames`, what began like an answer and was none, or a
    turn that brought only noise; `missed_answers`, requests without an answer in time;
    `late_answers`, requests before which something had come that nobody waited for. `refused` says
    what the meter refuses now: quantity to the exception in words. None of these becomes a value.
    """

    Settings: ClassVar[type[BaseModel]] = ModbusSettings

    def __init__(self, settings: ModbusSettings, *, meter: str, clock: Clock) -> None:
        self._settings = settings
        self._name = meter
        self._clock = clock
        self._meter = settings.meter
        self._blocks: Sequence[Block] = ()
        self._identity = ""
        self._missed_in_a_row = 0
        self._noise_in_a_row = 0
        self.bad_frames = 0
        self.missed_answers = 0
        self.late_answers = 0
        self.refused: dict[str, str] = {}

    @property
    def channels(self) -> Sequence[Channel]:
        return self._meter.channels

    @property
    def identity(self) -> str:
        """The port and the number on it; empty until the port has been opened."""
        return self._identity

    @asynccontextmanager
    async def open(self) -> AsyncGenerator[AsyncIterator[Reading]]:
        """Have a share in the port; give the readings as they come."""
        try:
            from drivers.modbus_bus import shared_bus  # noqa: PLC0415
        except ImportError as error:
            if (error.name or "").partition(".")[0] != "pymodbus":
                raise
            raise MeterUnavailable(
                "reading Modbus needs pymodbus (3.16 or later, below 4), which is not installed: "
                "pip install 'pymodbus>=3.16,<4'"
            ) from error
        settings = self._settings
        port = resolve(settings.line_port)
        async with shared_bus(port, settings.wire, self._clock, tcp=settings.is_tcp) as bus:
            where = settings.port if settings.is_tcp else identity_of(port)
            self._identity = f"{where} device {settings.device}"
            self._blocks = self._planned()
            readings = self._ask(bus)
            try:
                async with aclosing(readings):
                    yield readings
            finally:
                bus.leaves(self)

    def _planned(self) -> Sequence[Block]:
        """Give the requests to begin with; what a meter refuses is learned anew at each opening."""
        requests = self._meter.profile.requests
        return plan(
            self._meter.places, most_registers=requests.most_registers, most_gap=requests.most_gap
        )

    async def _ask(self, bus: Bus) -> AsyncGenerator[Reading]:
        """Ask on a fixed schedule.

        An RTU answer does not say which request it belongs to. So what came too late is dropped
        before a request, and the turn after a missed answer is left out: an answer later than a
        whole turn is then heard while nothing is asked.
        """
        poll = self._meter.profile.poll
        due_s = self._clock.now().t_s
        while True:
            wait_s = due_s - self._clock.now().t_s
            if wait_s > 0:
                await self._clock.sleep(wait_s)
            reading = await self._turn(bus)
            # One turn that is overdue follows at once; those before it are left out, not caught up.
            turns = max(1, int((self._clock.now().t_s - due_s) / poll.interval_s))
            due_s += turns * poll.interval_s
            if reading is None:
                bus.leaves(self)
                self.missed_answers += 1
                self._missed_in_a_row += 1
                # It stays silent over openings: each further miss ends one, and costs the line one.
                if self._missed_in_a_row >= poll.missed_answers:
                    raise MeterLost(self._no_answer())
                due_s += poll.interval_s
            else:
                self._missed_in_a_row = self._noise_in_a_row = 0
                bus.rests(self, due_s)
                yield reading

    async def _turn(self, bus: Bus) -> Reading | None:
        """Read all blocks once; None when one has no answer. What is refused is asked smaller."""
        waiting, done = deque(self._blocks), list[Block]()
        values: dict[str, float] = {}
        flags: dict[str, Flag] = {}
        refused: dict[str, str] = {}
        raw: list[str] = []
        while waiting:
            block = waiting.popleft()
            heard = await self._request(bus, block)
            if heard.answer is None:
                return None
            refusal = heard.answer.refusal
            if refusal is None:
                self._take(block, heard.answer.registers, values, flags)
                raw.append(_hexadecimal(block, heard.answer.registers))
            elif refusal in {_ILLEGAL_ADDRESS, _ILLEGAL_VALUE} and (pieces := split(block)):
                waiting.extendleft(reversed(pieces))
                continue
            else:
                text = self._refusal(block, refusal)
                raw.append(text)
                refused |= {place.name: text for place in block.places}
            done.append(block)
        self._blocks = done
        if len(refused) == len(self._meter.places):
            self.refused = refused
            raise MeterLost(f"device {self._settings.device} refuses all: {_listed(refused)}")
        self._tell(refused)
        flags |= dict.fromkeys(refused, Flag.ERROR)
        return Reading(
            self._name, self._clock.now(), values, flags, printable("; ".join(raw).encode())
        )

    async def _request(self, bus: Bus, block: Block) -> Heard:
        from drivers.codecs.modbus_frames import Ask  # noqa: PLC0415

        ask = Ask(self._settings.device, block.function, block.address, block.count)
        timeout_s = self._meter.profile.poll.timeout_s
        if self._missed_in_a_row == 0:
            heard = await bus.ask(ask, timeout_s)
        else:
            whole = self._missed_in_a_row % _WHOLE_TIME_EVERY == 0
            heard = await bus.ask_in_a_gap(ask, timeout_s, whole=whole)
        self.late_answers += heard.late > 0
        self.bad_frames += heard.bad_frames or heard.noise > 0
        self._noise_in_a_row += heard.noise > 0
        return heard

    def _take(
        self,
        block: Block,
        registers: Sequence[int],
        values: dict[str, float],
        flags: dict[str, Flag],
    ) -> None:
        for place in block.places:
            number = place.read(block.words(place, registers))
            if isinstance(number, Flag):
                flags[place.name] = number
                continue
            values[place.name], flag = self._meter.scales[place.name](number)
            if flag is not None:
                flags[place.name] = flag

    def _refusal(self, block: Block, code: int) -> str:
        from drivers.codecs.modbus_frames import refusal_words  # noqa: PLC0415

        last = block.address + block.count - 1
        addresses = f"addresses {block.address} to {last}" if block.count > 1 else f"address {last}"
        return f"function {block.function}, {addresses}: {refusal_words(code)}"

    def _tell(self, refused: dict[str, str]) -> None:
        """Log what the meter refuses, once each time that changes."""
        if refused != self.refused:
            self.refused = refused
            if refused:
                _log.warning("%s: the meter refuses %s", self._name, _listed(refused))

    def _no_answer(self) -> str:
        poll, wire = self._meter.profile.poll, wire_words(self._settings.wire)
        device = f"device {self._settings.device}"
        if self._noise_in_a_row >= self._missed_in_a_row:
            if self._settings.is_tcp:
                return (
                    "bytes arrive but none make sense as Modbus TCP: for a plain serial server "
                    "write socket:// instead of tcp://"
                )
            others = ", ".join(one for one in _COMMON_WIRES if one != wire)
            return f"bytes arrive but none make sense at {wire}; try {others}"
        if self.late_answers:
            return f"{device} answers later than {poll.timeout_s:g} s: raise timeout_s"
        if self._settings.is_tcp:
            return f"{device} does not answer: is it on, and its number right?"
        return (
            f"{device} does not answer at {wire}: is it on, are its number and speed right, "
            "A and B not swapped?"
        )


def _listed(refused: dict[str, str]) -> str:
    """Write the first refusals, and how many more there are."""
    shown = [f"{name}: {text}" for name, text in refused.items()]
    more = len(shown) - _REFUSALS_SHOWN
    return "; ".join(shown[:_REFUSALS_SHOWN]) + (f"; and {more} more" if more > 0 else "")


def _hexadecimal(block: Block, registers: Iterable[int]) -> str:
    return f"{block.function}@{block.address} {' '.join(f'{one:04X}' for one in registers)}"
