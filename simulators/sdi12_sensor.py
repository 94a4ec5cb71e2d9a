"""A simulated SDI-12 sensor: what it answers, when, and what makes it forget.

Pure: the front gives commands and breaks with their times, and carries the answers. The rules are
those of SDI-12 Support Group, Version 1.4, 20 February 2023, sections 4.3 and 4.4; what makes a
concurrent measurement forget its values is from memory.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from drivers.codecs.sdi12 import PAGE_MOST, PAGE_MOST_LONG, pages, with_crc, write_number
from simulators.display import QUANTITIES, Shown

__all__ = ["DESCRIPTIONS", "NO_NUMBER", "Sdi12Sensor"]

DESCRIPTIONS: Mapping[str, tuple[str, str, int]] = MappingProxyType(
    {
        "ph": ("WP", "pH", 2),
        "orp": ("ORP", "mV", 0),
        "conductivity": ("WC", "uS/cm", 0),
        "tds": ("TDS", "mg/L", 0),
        "salinity": ("WS", "g/kg", 1),
        "specific_gravity": ("SG", "", 3),
        "temperature": ("TW", "deg C", 1),
    }
)
"""What it calls each quantity, the unit, and the decimals it writes."""
NO_NUMBER = "-9999"
"""What stands for a word on the display: common practice, no source."""

_STARTS = re.compile(r"(?P<kind>[MCV])(?P<crc>C?)(?P<number>[1-9]?)")
_CONTINUOUS = re.compile(r"(?P<kind>R)(?P<crc>C?)(?P<number>[0-9])")
_VENDOR, _MODEL, _REVISION = "OUZEL   ", "BROOK ", "001"
_DEAF_S = 1.0
"""After a change of address."""


@dataclass(slots=True)
class _Measurement:
    names: Sequence[str]
    takes_s: float
    ready_s: float
    has_crc: bool
    is_concurrent: bool
    numbers: Sequence[str] | None = None
    """None until they are taken from the display."""


class Sdi12Sensor:
    """One sensor. Its public fields may be changed while it is read.

    `measurements` are the quantities of M (and C, R0), M1 (C1, R1), ...; `takes_s` is how long one
    takes, `wakes_in_s` how long after a break a command may begin, at most 0.1. A `version` before
    1.4 describes nothing, one before 1.3 has no check characters.
    """

    def __init__(
        self,
        address: str,
        show: Callable[[], Shown],
        *,
        takes_s: float = 0.5,
        measurements: Sequence[Sequence[str]] = (QUANTITIES,),
        version: str = "1.4",
        serial: str = "0000001",
        wakes_in_s: float = 0.005,
    ) -> None:
        self.address = address
        self.takes_s = takes_s
        self.version = version
        self.wakes_in_s = wakes_in_s
        self.measurements = measurements
        self.descriptions = dict(DESCRIPTIONS)
        self.is_dead = False
        self.begun = 0
        """Measurements begun."""
        self._show = show
        self._serial = serial
        self._current: _Measurement | None = None
        self._deaf_until_s = float("-inf")

    def hear_break(self, t_s: float) -> None:
        """A break before it is ready ends a measurement, unless that is a concurrent one."""
        current = self._current
        if current is not None and not current.is_concurrent and t_s < current.ready_s:
            self._current = None

    def requests_in_s(self, t_s: float) -> float | None:
        """How long until it asks for service; None when it will not."""
        current = self._current
        if current is None or current.is_concurrent or not current.takes_s:
            return None
        return max(0.0, current.ready_s - t_s)

    def take(self, t_s: float) -> bool:
        """Take the values from the display if it is time; whether there are any."""
        current = self._current
        if current is None or t_s < current.ready_s:
            return False
        if current.numbers is None:
            current.numbers = self._numbers(current.names)
        return True

    def answer(self, body: str, t_s: float) -> str | None:
        """Answer a command, given without its address and `!`; None is silence."""
        if self.is_dead or t_s < self._deaf_until_s:
            return None
        if body.startswith("D"):
            return self._data(body[1:], t_s)
        if not body:
            return self.address
        self._current = None  # any other command to this sensor ends what it does
        if re.fullmatch("A[0-9A-Za-z]", body):
            self.address, self._deaf_until_s = body[1], t_s + _DEAF_S
            return self.address
        return self._identify() if body == "I" else self._other(body, t_s)

    def _identify(self) -> str:
        version = self.version.replace(".", "")
        return f"{self.address}{version}{_VENDOR}{_MODEL}{_REVISION}{self._serial}"

    def _other(self, body: str, t_s: float) -> str | None:
        starts, continuous = _STARTS.fullmatch(body), _CONTINUOUS.fullmatch(body)
        if starts is not None:
            return self._start(starts, t_s)
        if continuous is not None:
            return self._at_once(continuous)
        return self._describe(body[1:]) if body.startswith("I") else None

    def _start(self, asked: re.Match[str], t_s: float | None) -> str | None:
        """Begin a measurement, or with no time only say how it would go."""
        names = self._asked_for(asked)
        if names is None:
            return None
        is_concurrent = asked["kind"] == "C"
        takes_s = self.takes_s if names else 0.0
        if t_s is not None and names:
            self._current = _Measurement(
                names, takes_s, t_s + takes_s, bool(asked["crc"]), is_concurrent
            )
            self.begun += 1
        digits = 2 if is_concurrent else 1
        return f"{self.address}{math.ceil(takes_s):03}{len(names):0{digits}}"

    def _at_once(self, asked: re.Match[str]) -> str | None:
        names = self._asked_for(asked)
        if names is None:
            return None
        said = self.address + "".join(pages(self._numbers(names), PAGE_MOST_LONG)[:1])
        return with_crc(said) if asked["crc"] else said

    def _data(self, page: str, t_s: float) -> str | None:
        if not re.fullmatch("[0-9]", page):
            return None
        current = self._current
        if not self.take(t_s) or current is None or current.numbers is None:
            self._current = None  # asked too early: broken off
            return self.address
        most = PAGE_MOST_LONG if current.is_concurrent else PAGE_MOST
        laid = pages(current.numbers, most)
        said = self.address + (laid[int(page)] if int(page) < len(laid) else "")
        return with_crc(said) if current.has_crc else said

    def _describe(self, body: str) -> str | None:
        """Answer IM, IM_001 and their like."""
        command, _, place = body.partition("_")
        starts, continuous = _STARTS.fullmatch(command), _CONTINUOUS.fullmatch(command)
        asked = starts or continuous
        if self.version < "1.4" or asked is None:
            return None
        if not place:
            return None if starts is None else self._start(starts, None)
        names = self._asked_for(asked)
        if names is None or not re.fullmatch("[0-9]{3}", place):
            return None
        if not 1 <= int(place) <= len(names):
            return self.address
        name, unit, _ = self.descriptions[names[int(place) - 1]]
        said = f"{self.address},{name},{unit};"
        return with_crc(said) if asked["crc"] else said

    def _asked_for(self, asked: re.Match[str]) -> Sequence[str] | None:
        """Give the quantities; none when it has no such measurement, None when no such command."""
        if asked["crc"] and self.version < "1.3":
            return None
        number = int(asked["number"] or 0)
        return self.measurements[number] if number < len(self.measurements) else ()

    def _numbers(self, names: Sequence[str]) -> list[str]:
        shown = self._show()
        return [self._number(name, shown.get(name)) for name in names]

    def _number(self, name: str, said: float | str | None) -> str:
        if isinstance(said, float | int):
            return write_number(said, self.descriptions[name][2])
        return NO_NUMBER
