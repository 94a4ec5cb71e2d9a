"""Listens in on the lines that drivers open, and writes down what comes and goes.

The file is text, made to be sent with a report: `drivers.codecs.recording` says its form.
"""

from __future__ import annotations

from collections.abc import Callable
from contextvars import Token
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from acquire.clock import Clock
from acquire.errors import ConfigError, MeterLost
from acquire.readings import utc_text
from drivers.codecs.recording import Act, Head, Record, write_head, write_record
from drivers.line import Line, line_opener, open_port
from drivers.profile import SerialSettings

__all__ = ["MOST_BYTES", "Recorder", "written"]

MOST_BYTES = 32 * 1024 * 1024
"""A recording ends there: about five days of a line a second."""
_PIECE = 4096
"""Bytes of one record at most."""


def written(settings: SerialSettings) -> str:
    """Give serial settings as people write them: ``9600 8N1``."""
    parity = settings.parity[0].upper()
    flow = "" if settings.flow == "none" else f" {settings.flow}"
    return f"{settings.baudrate} {settings.data_bits}{parity}{settings.stop_bits}{flow}"


class Recorder:
    """Records every line opened while it is entered, in this context and tasks begun in it.

    A file that cannot be written any more, or is full, ends the recording and never the reading:
    `tell` hears of it once. An existing file is refused.
    """

    def __init__(
        self,
        path: Path,
        clock: Clock,
        *,
        driver: str = "",
        profile: str = "",
        tell: Callable[[str], None] = lambda _: None,
        most_bytes: int = MOST_BYTES,
    ) -> None:
        self.path = path
        self.bytes_heard = 0
        """Bytes that came from the meter and were written down."""
        self._clock = clock
        self._tell = tell
        self._most_bytes = most_bytes
        self._size = 0
        self._token: Token[Any] | None = None
        begun = clock.now()
        self._begun_s = begun.t_s
        # Of a profile of one's own only the name: the folders before it are nobody's business.
        name = Path(profile).name
        try:
            self._file = path.open("x", encoding="ascii", newline="\n")
        except FileExistsError as error:
            raise ConfigError(
                "is there already and would be lost: name another file", file=path
            ) from error
        except OSError as error:
            raise ConfigError(f"cannot be written: {error.strerror or error}", file=path) from error
        head = Head(_ascii(driver), _ascii(name), utc_text(begun.at_ms))
        self._write(write_head(head))

    def __enter__(self) -> Self:
        self._token = line_opener.set(self._open)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._token is not None:
            line_opener.reset(self._token)
            self._token = None
        self.close()

    def close(self) -> None:
        """End the recording. May be called again."""
        if not self._file.closed:
            try:
                self._file.close()
            except OSError as error:
                self._tell(f"the end of the recording could not be written: {error}")

    def note(self, act: Act, data: bytes = b"", note: str = "") -> float:
        """Write down one thing that happened, and have it in the file at once.

        Gives the second it is written down under.
        """
        t_s = round(max(0.0, self._clock.now().t_s - self._begun_s), 6)
        pieces = [data[at : at + _PIECE] for at in range(0, len(data), _PIECE)] or [b""]
        for piece in pieces:
            if not self._file.closed:
                self._write(write_record(Record(t_s, act, piece, note)))
                self.bytes_heard += len(piece) if act == "in" else 0
        return t_s

    def _write(self, text: str) -> None:
        if self._size + len(text) > self._most_bytes:
            self.close()
            self._tell(f"the recording is full ({self._size} bytes) and ends; reading goes on")
            return
        try:
            self._file.write(text)
            self._file.flush()
        except OSError as error:
            self._tell(f"the recording ends, reading goes on: {error.strerror or error}")
            self.close()
        self._size += len(text)

    async def _open(self, port: str, settings: SerialSettings) -> Line:
        line = await open_port(port, settings)
        return _TappedLine(line, self, self.note("open", note=written(settings)))


class _TappedLine:
    """A line that tells the recorder what passes."""

    def __init__(self, line: Line, recorder: Recorder, opened_s: float) -> None:
        self._line = line
        self._recorder = recorder
        self._opened_s = opened_s
        self.waited_s = 0.0
        self._is_open = True

    async def read(self) -> bytes:
        try:
            data = await self._line.read()
        except MeterLost:
            self._recorder.note("lost")
            self._is_open = False
            raise
        self.waited_s = self._recorder.note("in", data) - self._opened_s
        return data

    async def write(self, data: bytes) -> None:
        self._recorder.note("out", data)
        await self._line.write(data)

    def reset_input(self) -> int:
        return self._line.reset_input()

    async def send_break(self, duration_s: float = 0.25) -> None:
        self._recorder.note("break")
        await self._line.send_break(duration_s)

    async def close(self) -> None:
        if self._is_open:
            self._recorder.note("closed")
            self._is_open = False
        await self._line.close()


def _ascii(text: str) -> str:
    return text.encode("ascii", "replace").decode()
