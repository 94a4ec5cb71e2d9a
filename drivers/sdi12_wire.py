"""The wire of SDI-12 through an adapter: breaks, commands out, lines in, and their times.

Source of the times: SDI-12 Support Group, Version 1.4, 20 February 2023, section 7.
"""

from __future__ import annotations

from acquire.clock import Clock
from acquire.errors import FrameError
from drivers.codecs.sdi12 import CHARACTER_S, decode, with_parity, without_parity
from drivers.line import Line
from drivers.sdi12_profile import Adapter

__all__ = ["Wire"]

MARK_S = 0.01
"""Marking between break and command: at least 8.33 ms."""
ASLEEP_AFTER_S = 0.087
"""Marking after which a new break is needed."""
WAY_S = 0.027
"""What two ways between here and the wire may take, unseen by us."""
ANSWER_S = 0.015
"""From the command's last stop bit to the first start bit of the answer, at most."""
WRITE_S = 1.0
"""The port must take a command within this; one that holds it back answers nothing either."""


class Wire:
    """One opened line. One task at a time may use it."""

    def __init__(self, line: Line, adapter: Adapter, clock: Clock) -> None:
        self.line = line
        self.adapter = adapter
        self.raw = b""
        """What was heard last."""
        self._clock = clock
        self._awake = ""
        """Address of the sensor that listens."""
        self._broke_s = self._quiet_since_s = float("-inf")

    @property
    def since_break_s(self) -> float:
        return self._clock.now().t_s - self._broke_s

    @property
    def is_asleep(self) -> bool:
        """Whether the last try came to nothing so long ago that only a break helps."""
        return self._clock.now().t_s - self._quiet_since_s > ASLEEP_AFTER_S

    async def wake(self, address: str, *, anew: bool = False) -> None:
        """Send a break, unless the sensor is known to be listening still."""
        if self.adapter.break_by == "adapter":
            return
        silent_s = self._clock.now().t_s - self._quiet_since_s
        if not anew and address == self._awake and silent_s < ASLEEP_AFTER_S - WAY_S:
            return
        await self.line.send_break(self.adapter.break_s)
        self._broke_s = self._clock.now().t_s
        self._awake = address
        await self._clock.sleep(MARK_S)

    def wait_s(self, command: str, longest: int) -> float:
        """How long to wait for the answer to begin."""
        wait_s = len(command) * CHARACTER_S + ANSWER_S + self.adapter.patience_s
        if self.adapter.break_by == "adapter":
            wait_s += longest * CHARACTER_S  # it may hand on whole lines only
        return wait_s

    async def exchange(self, command: str, longest: int) -> str | None:
        """Send a command and give the answer's text; None when none comes."""
        data = command.encode("ascii")
        self.line.reset_input()
        try:
            async with self._clock.timeout(WRITE_S):
                await self.line.write(data if self.adapter.parity == "port" else with_parity(data))
        except TimeoutError:
            return None
        self._quiet_since_s = self._clock.now().t_s + len(data) * CHARACTER_S
        return await self.hear(self.wait_s(command, longest), longest=longest, echo=command)

    async def hear(self, wait_s: float, *, longest: int, echo: str = "") -> str | None:
        """Give the next line without the echo of the command; None when nothing comes in time."""
        raw, buffer = bytearray(), bytearray()
        now_s = self._clock.now().t_s
        end_s = now_s + wait_s + longest * CHARACTER_S + self.adapter.patience_s
        self.raw = b""
        while now_s < end_s:
            try:
                async with self._clock.timeout(min(wait_s, end_s - now_s)):
                    data = await self.line.read()
            except TimeoutError:
                break
            now_s = self._quiet_since_s = self._clock.now().t_s
            raw += data
            self.raw = bytes(raw)
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
                wait_s = self.adapter.patience_s
        if buffer and buffer != echo.encode():
            raise FrameError("the answer broke off")
        return None

    def _plain(self, data: bytes) -> bytes:
        match self.adapter.parity:
            case "port":
                return data
            case "software":
                return without_parity(data)
            case "ignore":
                return bytes(byte & 0x7F for byte in data)
