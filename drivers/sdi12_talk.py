"""One sensor on an SDI-12 wire: what it can be asked, and how a measurement goes.

Source: SDI-12 Support Group, Version 1.4, 20 February 2023, section 4.4.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Literal, TypeVar

from acquire.clock import Clock
from acquire.errors import FrameError
from acquire.readings import Stamp
from drivers.codecs.framing import printable
from drivers.codecs.sdi12 import (
    PAGE_MOST,
    PAGE_MOST_LONG,
    Described,
    Identification,
    Number,
    Start,
    parse_address,
    parse_described,
    parse_identification,
    parse_start,
    parse_values,
)
from drivers.sdi12_bus import Bus, Complaint, NoAnswer
from drivers.sdi12_profile import Family

__all__ = ["Measured", "Sensor", "find_address"]

PAGES = 10
"""D0 to D9."""
_AROUND = 6
"""Characters of an answer beside the values: address, check characters, CR LF."""
_REQUEST_LATE_S = 0.03
"""The service request must come before its time is over; its three characters take this long."""

Answer = TypeVar("Answer")


@dataclass(frozen=True, slots=True)
class Measured:
    """The values of one measurement, in order."""

    numbers: tuple[Number, ...]
    raw: str
    """The answers that held them, printable."""
    stamp: Stamp
    """When the last of them came."""


async def find_address(bus: Bus, complain: Complaint) -> str:
    """Give the address of the only sensor on the wire; several at once cannot be understood."""
    return await bus.ask("?!", parse_address, longest=3, complain=complain)


class Sensor:
    """The sensor at one address. Every method raises NoAnswer or MeterLost, as the bus does.

    Counted: `missed_requests`, service requests that did not come in time. The values of such a
    sensor are asked for all the same, which the standard's own examples show.
    """

    def __init__(self, bus: Bus, address: str, clock: Clock, complain: Complaint) -> None:
        self.address = address
        self.missed_requests = 0
        self._bus = bus
        self._clock = clock
        self._complain = complain

    async def acknowledge(self) -> None:
        """`a!`: is anybody there?"""
        await self._ask("", partial(parse_address, expected=self.address), 3)

    async def identify(self) -> Identification:
        """`aI!`"""
        return await self._ask("I", partial(parse_identification, address=self.address), 36)

    async def describe(self, family: Family, measurement: int, place: int) -> Described:
        """`aIM_001!` and its like: what is the value at that place, counted from 1?"""
        parse = partial(parse_described, address=self.address, crc=_has_crc(family))
        return await self._ask(f"I{_body(family, measurement)}_{place:03}", parse, 80)

    async def measure(self, family: Family, measurement: int = 0) -> Measured | None:
        """Measure and give the values; None when the sensor does not do this."""
        body = _body(family, measurement)
        if family in {"R", "RC"}:
            numbers, raw = await self._ask(body, self._page(family), PAGE_MOST_LONG + _AROUND)
            return self._measured(numbers, raw) if numbers else None
        is_concurrent = family in {"C", "CC"}
        digits: Literal[1, 2] = 2 if is_concurrent else 1
        start = await self._bus.ask(
            f"{self.address}{body}!",
            partial(parse_start, address=self.address, digits=digits),
            longest=8,
            complain=self._complain,
            then=None if is_concurrent else self._await_request,
        )
        if not start.count:
            return None
        if is_concurrent and start.ready_s:
            await self._clock.sleep(start.ready_s)
        try:
            return await self._collect(family, start.count)
        except NoAnswer as error:
            if error.heard:
                raise
            # It knows the command: silence must not be taken for a sensor that does not.
            raise NoAnswer("values were announced and not given", heard=True) from error

    async def _await_request(self, start: Start) -> None:
        """Leave the wire alone until the sensor says that it is ready, or its time is over."""
        if not start.count or not start.ready_s:
            return
        within_s = start.ready_s + _REQUEST_LATE_S + self._bus.patience_s
        if not await self._bus.wait_for(self.address, within_s, self._complain):
            self.missed_requests += 1

    async def _collect(self, family: Family, count: int) -> Measured:
        """D0, D1, ... until all values are there."""
        numbers: list[Number] = []
        said: list[str] = []
        longest = (PAGE_MOST_LONG if family in {"C", "CC"} else PAGE_MOST) + _AROUND
        page = self._page(family)

        def filled(text: str) -> tuple[tuple[Number, ...], str]:
            got = page(text)
            if not got[0]:
                raise FrameError("no data: the measurement was broken off")
            if len(numbers) + len(got[0]) > count:
                raise FrameError(f"more values than the {count} announced")
            return got

        for number in range(PAGES):
            more, raw = await self._ask(f"D{number}", filled, longest)
            numbers += more
            said.append(raw)
            if len(numbers) == count:
                return self._measured(tuple(numbers), " ".join(said))
        raise NoAnswer(f"{len(numbers)} values instead of the {count} announced", heard=True)

    def _measured(self, numbers: tuple[Number, ...], raw: str) -> Measured:
        return Measured(numbers, printable(raw.encode()), self._clock.now())

    def _page(self, family: Family) -> Callable[[str], tuple[tuple[Number, ...], str]]:
        def read(text: str) -> tuple[tuple[Number, ...], str]:
            return parse_values(text, self.address, crc=_has_crc(family)), text

        return read

    async def _ask(self, body: str, parse: Callable[[str], Answer], longest: int) -> Answer:
        command = f"{self.address}{body}!"
        return await self._bus.ask(command, parse, longest=longest, complain=self._complain)


def _has_crc(family: Family) -> bool:
    return family in {"MC", "CC", "RC"}


def _body(family: Family, measurement: int) -> str:
    """Write the command: R has its digit always, the others none for the first measurement."""
    return f"{family}{measurement}" if measurement or family[0] == "R" else family
