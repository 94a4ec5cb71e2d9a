"""Finds out how a meter talks that nobody described, at the pace of a person with a phone.

    listening ── proposed ── reading ── ready ── saved
        └ silent, failed        └ failed

One search at a time. Nothing is written before `save`.
"""

from __future__ import annotations

import asyncio
import re
import tempfile
from collections import deque
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import Any

from acquire.config import MeterConfig
from acquire.daemon import Daemon
from acquire.errors import OuzelError
from acquire.learned import (
    add_meter,
    fields_json,
    free_name,
    read_with,
    table_text,
    why_not_writable,
    write_profile,
)
from acquire.page.answers import Refused
from acquire.page.context import Page
from acquire.page.shapes import reading_json
from acquire.readings import Event, Reading
from acquire.registry import load

__all__ = ["PORT", "Search"]

PORT = re.compile(
    r"usb:[0-9A-Fa-f]{4}:[0-9A-Fa-f]{4}[:@][^\x00-\x1f]{1,120}"
    r"|/dev/(tty|cu\.|serial/|rfcomm|pts/)[A-Za-z0-9_.:/-]{0,120}"
    r"|COM\d{1,3}"
    r"|(socket|rfc2217)://[A-Za-z0-9.\-\[\]:]{1,120}"
)
"""Ports that may be asked for. Not every file, and no other kind of URL: some write files."""
LISTEN_S = 12.0
READ_S = 60.0
_READINGS = 3
_SAYS = 30


class Search:
    """The search under way, or the last one."""

    def __init__(self, page: Page, begin_anew: Callable[[], None]) -> None:
        self._page = page
        self._begin_anew = begin_anew
        self._task: asyncio.Task[None] | None = None
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._clear("")
        self._state = ""

    def _clear(self, port: str) -> None:
        self._port = port
        self._says: deque[str] = deque(maxlen=_SAYS)
        self._heard: Any = None
        self._found: Any = None
        self._profile = ""
        self._readings: list[Reading] = []
        self._why = ""
        self._snippet = ""

    def as_json(self) -> dict[str, Any] | None:
        """How it stands; None before the first."""
        if not self._state:
            return None
        return {
            "is": "learning",
            "port": self._port,
            "state": self._state,
            "says": list(self._says),
            "lines": [] if self._found is None else list(self._found.lines.texts[-5:]),
            "fields": [] if self._found is None else fields_json(self._found),
            "readings": [reading_json(one) for one in self._readings],
            "why": self._why,
            "snippet": self._snippet,
        }

    # -- what a person asks for -------------------------------------------------------------

    async def start(self, port: str, command: str, profile: str, *, may_ask: bool) -> None:
        """Listen at a port, or read it with a shipped profile."""
        if not PORT.fullmatch(port) or ".." in port:
            raise Refused(400, "port: one of those that /api/1/setup/ports lists, or socket://")
        if self._is_at_work():
            raise Refused(409, "a search is under way: cancel it first")
        data = load("drivers.learned:command_of")(command) if command else b""
        await self.cancel()
        self._clear(port)
        if profile:
            self._profile = profile
            meter = self._meter("learned", {"profile": profile, "port": port})
            self._go("reading", lambda: self._read(meter))
        else:
            self._go("listening", lambda: self._listen(data, may_ask=may_ask))

    async def confirm(self, changes: Mapping[int, tuple[str, str]]) -> None:
        """Read with what was found, and changed."""
        if self._found is None or self._is_at_work() or self._state == "saved":
            raise Refused(409, "there is nothing to confirm: listen to the meter first")
        if any(place >= len(self._found.proposals) for place in changes):
            raise Refused(400, f"there are numbers 1 to {len(self._found.proposals)}")
        if changes:
            self._found = self._found.with_changes(changes)
        table = load("drivers.learned:whole_profile")(self._found, self._heard)
        await self._leave_folder()
        self._folder = tempfile.TemporaryDirectory(prefix="ouzel-")
        file = Path(self._folder.name) / "learned.toml"
        write_profile(file, table, self._found, self._page.clock)
        self._readings = []
        meter = read_with("learned", file, self._port)
        self._go("reading", lambda: self._read(meter))

    async def save(self, name: str) -> dict[str, Any]:
        """Write profile and configuration, and begin anew with them."""
        if self._state != "ready":
            raise Refused(409, "read the meter first: nothing is written before")
        file = self.file
        if why := why_not_writable(file):
            raise Refused(409, why)
        profile = self._profile
        made: Path | None = None
        if self._found is not None:
            made = free_name(file.parent)
            table = load("drivers.learned:whole_profile")(self._found, self._heard)
            write_profile(made, table, self._found, self._page.clock)
            profile = made.name
        self._snippet = table_text(name, profile, self._port)
        try:
            add_meter(file, name, self._snippet)
        except OuzelError:
            if made is not None:
                made.unlink(missing_ok=True)
            raise
        self._now("saved")
        self._begin_anew()
        await self._page.note("meter_added", f"{name} was written into {file.name}", meter=name)
        return {"ok": True, "file": str(file), "snippet": self._snippet}

    @property
    def file(self) -> Path:
        """The configuration that a meter is written into."""
        return self._page.config.file or Path.cwd() / "ouzel.toml"

    async def cancel(self) -> None:
        """Stop listening; nothing was written."""
        task, self._task = self._task, None
        if task is not None:
            task.cancel()
            await asyncio.wait([task])
        if self._state not in {"", "saved"}:
            self._state = ""
            self._page.hub.tell("learning", None)
        await self._leave_folder()

    # -- the work ---------------------------------------------------------------------------

    def _is_at_work(self) -> bool:
        return self._task is not None and not self._task.done()

    def _go(self, state: str, work: Callable[[], Awaitable[None]]) -> None:
        async def guarded() -> None:
            try:
                await work()
            except (OuzelError, OSError) as error:
                self._why = str(error)
                self._now("failed")

        self._why = ""
        self._now(state)
        self._task = asyncio.create_task(guarded(), name="page search")

    def _now(self, state: str) -> None:
        self._state = state
        self._page.hub.tell("learning", self.as_json())

    def _say(self, text: str) -> None:
        self._says.append(text)
        self._page.hub.tell("learning", self.as_json())

    async def _listen(self, command: bytes, *, may_ask: bool) -> None:
        ear = load("drivers.learning:Ear")(self._port, self._page.clock, self._say)
        if command:
            heard = await ear.ask([command], LISTEN_S) or await ear.listen(LISTEN_S)
        else:
            heard = await ear.listen(LISTEN_S)
            if heard is None and may_ask:
                self._say("nothing comes by itself; asking")
                heard = await ear.ask(load("drivers.learning:HARMLESS"), LISTEN_S)
        if heard is None:
            self._why = "Nothing comes. Is the meter switched on and set to send? " + (
                "Its manual says what makes it answer." if may_ask else "It may want asking."
            )
            self._now("silent")
            return
        self._heard = heard
        self._found = await asyncio.to_thread(load("drivers.learned:make_sense"), heard)
        self._now("proposed")

    async def _read(self, meter: MeterConfig) -> None:
        """Read until there are a few readings; a daemon of its own, that keeps nothing."""
        daemon = Daemon(self._page.config, [meter], self._page.clock, store=None)
        heard = daemon.listen("search")
        trouble = "nothing was heard"

        async def look() -> None:
            nonlocal trouble
            async for said in heard:
                if isinstance(said, Event):
                    trouble = said.text
                if isinstance(said, Reading):
                    self._readings.append(said)
                    self._now("reading")
                    if len(self._readings) >= _READINGS:
                        daemon.stop()

        looking = asyncio.create_task(look(), name="page search looks")
        try:
            async with asyncio.timeout(READ_S):
                await daemon.run()
        except TimeoutError:
            self._why = f"no reading came: {trouble}"
            self._now("failed")
            return
        finally:
            looking.cancel()
            await asyncio.wait([looking])
        self._now("ready")

    def _meter(self, name: str, table: dict[str, Any]) -> MeterConfig:
        from acquire.config import meter  # noqa: PLC0415  (the name is that of many things here)

        return meter(name, {"driver": "text_lines", **table}, None, self._page.config.quantities)

    async def _leave_folder(self) -> None:
        folder, self._folder = self._folder, None
        if folder is not None:
            await asyncio.to_thread(folder.cleanup)
