"""Listens to a meter nobody described: tries serial settings, asks where nothing comes by itself.

What is heard becomes a profile in `drivers.learning_profile`; here are only the port and the time.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from acquire.clock import Clock
from acquire.errors import FrameError, MeterUnavailable, Unavailable
from drivers.codecs.framing import printable
from drivers.codecs.recording import escape
from drivers.learning_lines import judge
from drivers.learning_profile import understand
from drivers.line import Line, open_line
from drivers.ports import is_url, resolve
from drivers.profile import SerialSettings
from drivers.recording import written

__all__ = ["HARMLESS", "SPEEDS", "Ear", "Heard"]

SPEEDS = (9600, 19200, 115200, 4800, 2400, 57600, 38400, 1200)
"""Most common first. Common practice, no source."""
HARMLESS = (b"READ\r\n", b"READ?\r\n", b"MEAS?\r\n", b"?\r\n", b"\r\n")
"""Commands that ask and set nothing: tried on a meter that says nothing by itself. Common
practice, no source; the questions are in the manner of SCPI-99 (from memory)."""

_FIRST_BYTE_S = 6.0
"""A meter that sends by itself does so within that, at any speed: silence has no speed."""
_JUDGED_S = 2.5
_ENOUGH_BYTES = 400
_ENOUGH_LINES = 12
_BOOT_S = 1.5
"""Opening starts some meters anew: for so long they hear nothing."""
_ANSWER_S = 1.0
_GAP_S = 0.15
_NEWS_S = 4.0
_MOST_BYTES = 64 * 1024


@dataclass(slots=True)
class Heard:
    """What came, and how it was got."""

    settings: SerialSettings
    data: bytearray = field(default_factory=bytearray)
    command: bytes = b""
    """What it was asked with; empty when it speaks by itself."""
    answer_s: float = 0.0
    """The longest wait for an answer."""
    late: int = 0
    """Bytes that came when no answer was waited for."""

    @property
    def poll(self) -> dict[str, object] | None:
        """The [poll] table for it."""
        if not self.command:
            return None
        timeout_s = round(min(60.0, max(0.5, 3.0 * self.answer_s)), 1)
        interval_s = max(1.0, round(2.0 * timeout_s, 1)) if timeout_s > 0.8 else 1.0
        return {"command": escape(self.command), "interval_s": interval_s, "timeout_s": timeout_s}


class Ear:
    """One port, listened to. `tell` hears in words what is being tried."""

    def __init__(self, port: str, clock: Clock, tell: Callable[[str], None]) -> None:
        self._port = port
        self._clock = clock
        self._tell = tell
        self._noise: list[tuple[str, bytes]] = []

    async def listen(self, seconds: float) -> Heard | None:
        """Find the settings at which text comes by itself and listen; None when nothing comes.

        MeterUnavailable when bytes come and make no sense at any settings.
        """
        for place, settings in enumerate(self._settings()):
            name = written(settings)
            self._tell(f"listening at {name} ...")
            line = await open_line(resolve(self._port), settings)
            try:
                data = await self._gather(line, _FIRST_BYTE_S, _JUDGED_S)
                found = judge(bytes(data))
                if found == "text":
                    return await self._keep_on(line, Heard(settings, data), seconds)
            finally:
                await line.close()
            if not data and place == 0:
                return None
            if found in {"7E1", "7O1"}:
                self._tell(f"bytes arrive with a parity bit: this is {found}, not 8N1")
                heard = Heard(_with_parity(settings, found))
                heard.data += bytes(one & 0x7F for one in data)
                await self.more(heard, seconds, enough=_ENOUGH_LINES)
                return heard
            self._noise.append((name, bytes(data[:40])))
            following = self._settings()[place + 1 : place + 2]
            then = f"; trying {written(following[0])} ..." if following else ""
            self._tell(f"bytes arrive but none make sense at {name}{then}")
        raise MeterUnavailable(self._senseless(), reason=Unavailable.SETTINGS)

    async def ask(self, commands: Sequence[bytes], seconds: float) -> Heard | None:
        """Try commands, at each speed, until one is answered with numbers; None when none is."""
        for settings in self._settings():
            line = await open_line(resolve(self._port), settings)
            try:
                await self._gather(line, _BOOT_S, 0.0)
                heard = await self._first_answered(line, commands, settings)
                if heard is not None:
                    return await self._ask_on(line, heard, seconds)
            finally:
                await line.close()
        return None

    async def _first_answered(
        self, line: Line, commands: Sequence[bytes], settings: SerialSettings
    ) -> Heard | None:
        """Find the command that is answered with a reading twice in a row.

        An answer may be so late that it seems to be one to the next command: then all are tried
        once more.
        """
        for _ in range(2):
            was_late = False
            for command in commands:
                self._tell(f"asking {printable(command, 60)} at {written(settings)} ...")
                heard = Heard(settings, command=command)
                for _ in range(2):
                    answer = await self._answer(line, heard)
                    if not _is_reading(answer):
                        break
                    heard.data += answer
                else:
                    return heard
                was_late = was_late or bool(heard.data) or heard.late > 0
                if answer.strip() and not heard.data:
                    self._tell(f"  answered {printable(answer.strip(), 60)}: no reading")
            if not was_late:
                break
        return None

    async def more(self, heard: Heard, seconds: float, *, enough: int = 1000) -> None:
        """Go on listening, or asking, at the settings that were found."""
        line = await open_line(resolve(self._port), heard.settings)
        try:
            heard.data += b"\n"  # what was cut off then does not join what comes now
            if heard.command:
                await self._ask_on(line, heard, seconds, enough=enough)
            else:
                await self._keep_on(line, heard, seconds, enough=enough)
        finally:
            await line.close()

    def _settings(self) -> list[SerialSettings]:
        """A network box has its own settings; a wire may have any."""
        if is_url(self._port) and not self._port.startswith("rfc2217"):
            return [SerialSettings()]
        return [SerialSettings(baudrate=speed) for speed in SPEEDS]

    async def _keep_on(
        self, line: Line, heard: Heard, seconds: float, *, enough: int = _ENOUGH_LINES
    ) -> Heard:
        until_s = self._clock.now().t_s + seconds
        told_s = self._clock.now().t_s
        while (left_s := until_s - self._clock.now().t_s) > 0 and len(heard.data) < _MOST_BYTES:
            heard.data += await self._gather(line, min(left_s, 1.0), 0.0)
            lines = _lines_in(heard.data)
            if lines >= enough:
                break
            if self._clock.now().t_s - told_s >= _NEWS_S:
                told_s = self._clock.now().t_s
                self._tell(f"  {lines} lines so far, at most {left_s:.0f} s left")
        return heard

    async def _ask_on(
        self, line: Line, heard: Heard, seconds: float, *, enough: int = _ENOUGH_LINES
    ) -> Heard:
        until_s = self._clock.now().t_s + seconds
        while self._clock.now().t_s < until_s and _lines_in(heard.data) < enough:
            asked_s = self._clock.now().t_s
            heard.data += await self._answer(line, heard)
            rest_s = min(1.0, seconds / enough) - (self._clock.now().t_s - asked_s)
            await self._clock.sleep(max(_GAP_S, rest_s))
        return heard

    async def _answer(self, line: Line, heard: Heard) -> bytes:
        heard.late += line.reset_input()
        asked_s = self._clock.now().t_s
        await line.write(heard.command)
        answer = await self._gather(line, _ANSWER_S, _GAP_S)
        if answer:
            heard.answer_s = max(heard.answer_s, self._clock.now().t_s - asked_s - _GAP_S)
        return bytes(answer)

    async def _gather(self, line: Line, first_s: float, then_s: float) -> bytearray:
        """Wait for the first byte, then listen a little longer; empty when nothing came."""
        data = bytearray()
        wait_s = first_s
        while len(data) < _ENOUGH_BYTES:
            began_s = self._clock.now().t_s
            try:
                async with self._clock.timeout(wait_s):
                    piece = await line.read()
            except TimeoutError:
                break
            if data:
                wait_s -= self._clock.now().t_s - began_s
            else:
                wait_s = then_s
            data += piece
            if wait_s <= 0:
                break
        return data

    def _senseless(self) -> str:
        seen = "; ".join(f"{name}: {printable(data, 60)}" for name, data in self._noise[:3])
        return (
            f"bytes arrive on {self._port} but none make sense at any common speed. "
            f"Seen at {seen}. Look up the speed in the meter's manual, and whether it sends text: "
            "a meter that speaks a binary protocol (Modbus, SDI-12) has a driver of its own"
        )


def _with_parity(settings: SerialSettings, found: str) -> SerialSettings:
    parity = "even" if found == "7E1" else "odd"
    return settings.model_copy(update={"data_bits": 7, "parity": parity})


def _is_reading(answer: bytes) -> bool:
    """Whether an answer holds a quantity: "ERR 1" is text as well."""
    try:
        return judge(answer) == "text" and bool(understand(answer.strip() + b"\r\n").chosen)
    except FrameError:
        return False


def _lines_in(data: bytes | bytearray) -> int:
    return max(data.count(b"\n"), data.count(b"\r"))
