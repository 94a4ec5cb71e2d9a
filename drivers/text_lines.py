"""The driver for meters that send lines of text: by themselves, or when asked."""

from __future__ import annotations

import logging
from collections.abc import AsyncGenerator, AsyncIterator, Iterator, Sequence
from contextlib import aclosing, asynccontextmanager
from typing import ClassVar

from pydantic import BaseModel

from acquire.clock import Clock
from acquire.errors import FrameError, MeterLost
from acquire.readings import Channel, Reading
from drivers.codecs.framing import Framer, printable
from drivers.line import Line, TimedLine, open_line
from drivers.ports import identity_of, resolve
from drivers.profile import Poll
from drivers.text_settings import TextLinesSettings

__all__ = ["MIDDLE_S", "TextLines"]

MIDDLE_S = 0.25
"""Bytes that come sooner than this after opening may be the rest of a line already under way."""

_log = logging.getLogger(__name__)


class TextLines:
    """Readings from lines of text.

    Counted since the driver was made: `bad_frames`, lines that were none; `bad_fields`, places in
    good lines that held neither number nor known word; `missed_answers`, commands without a usable
    answer in time; `late_answers`, answers that came when none was due any more. None of these ever
    becomes a value.
    """

    Settings: ClassVar[type[BaseModel]] = TextLinesSettings

    def __init__(self, settings: TextLinesSettings, *, meter: str, clock: Clock) -> None:
        self.bad_frames = 0
        self.bad_fields = 0
        self.missed_answers = 0
        self.late_answers = 0
        self._settings = settings
        self._meter = settings.meter
        self._name = meter
        self._clock = clock
        self._identity = settings.port
        self._last_bad = ""
        self._stream: _Stream | None = None

    @property
    def channels(self) -> Sequence[Channel]:
        return self._meter.channels

    @property
    def identity(self) -> str:
        """The port's stable name, as `drivers.ports` writes it."""
        return self._identity

    @property
    def wire_words(self) -> str:
        """The serial settings in force, as people write them: 9600 8N1."""
        wire = self._settings.wire
        return f"{wire.baudrate} {wire.data_bits}{wire.parity[0].upper()}{wire.stop_bits}"

    @property
    def unended(self) -> int:
        """Bytes that have come since the last line ended: many, and the terminator is another."""
        return 0 if self._stream is None else self._stream.unended

    @asynccontextmanager
    async def open(self) -> AsyncGenerator[AsyncIterator[Reading]]:
        """Own the port; give the readings as they come."""
        device = resolve(self._settings.port)
        line = await open_line(device, self._settings.wire)
        try:
            self._identity = identity_of(device)
            poll = self._meter.profile.poll
            readings = self._listen(line) if poll is None else self._ask(line, poll)
            async with aclosing(readings):
                yield readings
        finally:
            await line.close()

    async def _listen(self, line: Line) -> AsyncGenerator[Reading]:
        """Read a meter that sends by itself. Its first, partial line never becomes a value."""
        stream = self._stream = _Stream(self._meter.framer())
        opened_s = self._clock.now().t_s
        data = await line.read()
        waited_s = self._clock.now().t_s - opened_s
        if isinstance(line, TimedLine):
            waited_s = line.waited_s
        if waited_s < MIDDLE_S:
            stream.framer.skip_to_terminator()
        while True:
            for reading in self._readings(stream, data):
                yield reading
            data = await line.read()

    async def _ask(self, line: Line, poll: Poll) -> AsyncGenerator[Reading]:
        """Ask on a fixed schedule.

        An answer does not say which command it belongs to. One that comes after its time-out is
        dropped before the next command; and the turn after a missed answer is spent listening, so
        that an answer later than a whole turn shows itself instead of being taken for the next.
        """
        stream = self._stream = _Stream(self._meter.framer())
        missed, is_owed = 0, False
        due_s = self._clock.now().t_s
        while True:
            wait_s = due_s - self._clock.now().t_s
            if wait_s > 0:
                await self._clock.sleep(wait_s)
            has_come = self._drop_late(line, stream)
            if is_owed and not has_come:
                is_owed = False
            else:
                reading = await self._answer(line, stream, poll)
                is_owed = reading is None
                if reading is not None:
                    missed = 0
                    yield reading
                else:
                    missed += 1
                    self.missed_answers += 1
                    if missed >= poll.missed_answers:
                        raise MeterLost(self._no_answer(poll))
            # One turn that is overdue follows at once; those before it are left out, not caught up.
            turns = max(1, int((self._clock.now().t_s - due_s) / poll.interval_s))
            due_s += turns * poll.interval_s

    def _drop_late(self, line: Line, stream: _Stream) -> bool:
        """Drop what came when no answer was due; True when something had."""
        dropped = len(stream.buffer) + line.reset_input()
        stream.buffer.clear()
        stream.unended = 0
        stream.framer.reset()
        if dropped:
            self.late_answers += 1
            _log.debug("%s: %d bytes when no answer was due", self._name, dropped)
        return dropped > 0

    async def _answer(self, line: Line, stream: _Stream, poll: Poll) -> Reading | None:
        try:
            async with self._clock.timeout(poll.timeout_s):
                await line.write(poll.command)
                while True:
                    for reading in self._readings(stream, await line.read()):
                        return reading
        except TimeoutError:
            return None

    def _no_answer(self, poll: Poll) -> str:
        text = f"no usable answer to {poll.missed_answers} commands in a row"
        if self.late_answers:
            text += (
                f"; answers come later than {poll.timeout_s:g} s: raise timeout_s in the profile"
            )
        elif self._last_bad:
            text += f"; the last line was: {self._last_bad}"
        return text

    def _readings(self, stream: _Stream, data: bytes) -> Iterator[Reading]:
        """Take the whole lines off the stream; count and skip those that are none."""
        buffer = stream.buffer
        buffer += data
        stream.unended += len(data)
        used = 1
        while used:
            try:
                used, frame = stream.framer.decode(buffer)
            except FrameError as error:
                self._count_bad(bytes(buffer[: error.used]), error)
                used, frame = error.used, None
            del buffer[:used]
            if used and not stream.framer.is_skipping:
                stream.unended = len(buffer)
            if frame is None:
                continue
            try:
                said = self._meter.reader.read(frame.text)
            except FrameError as error:
                self._count_bad(frame.raw, error)
                continue
            self.bad_fields += said.bad
            stamp = self._clock.now()
            yield Reading(self._name, stamp, said.values, said.flags, printable(frame.raw))

    def _count_bad(self, raw: bytes, error: FrameError) -> None:
        self.bad_frames += 1
        self._last_bad = printable(raw.rstrip(), 60)
        _log.debug("%s: bad frame, %s: %s", self._name, error, self._last_bad)


class _Stream:
    """The bytes of one connection that are not a whole line yet."""

    def __init__(self, framer: Framer) -> None:
        self.framer = framer
        self.buffer = bytearray()
        self.unended = 0  # bytes since a line last ended, dropped ones too
