"""The page as an outlet of the daemon: hears what is said, serves it, ends when told."""

from __future__ import annotations

import asyncio
import json
import logging
import os
import secrets
import socket
import time
from collections.abc import Awaitable, Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from acquire.bus import Subscription
from acquire.clock import Clock
from acquire.config import Config
from acquire.daemon import Said, Typed
from acquire.outward import PageConfig
from acquire.page.app import make_app
from acquire.page.context import Act, Page
from acquire.page.now import snapshot
from acquire.page.private import write_private
from acquire.page.reader import Reader
from acquire.page.search import Search
from acquire.page.server import PageServer, bind, make_server
from acquire.page.standing import Standing
from acquire.page.static_files import StaticFiles
from acquire.page.stream import ALIVE_S, Hub
from acquire.page.tokens import Tokens, tokens_file
from acquire.paths import real
from acquire.readings import Event
from acquire.store.writer import StoreWriter

if TYPE_CHECKING:
    from acquire.errands import Bookkeeper

__all__ = ["PageOutlet", "doorplate"]

_log = logging.getLogger(__name__)

_END_S = 1.5
_FAULT_EVERY_S = 60.0


def doorplate(store: Path) -> Path:
    """Give the file that tells other commands of this user where the page of a store is."""
    store = real(store)
    return store.with_name(f"{store.name}.page")


class PageOutlet:
    """`or_another`: a port of its own where the usual one is taken. `begin_anew` starts the daemon
    again with a changed configuration; `say` tells a person where the page is.
    """

    name = "page"

    def __init__(
        self,
        settings: PageConfig,
        config: Config,
        clock: Clock,
        *,
        store: Path,
        begin_anew: Callable[[], None] = lambda: None,
        say: Callable[[str], None] = lambda _text: None,
        or_another: bool = False,
        alive_s: float = ALIVE_S,
    ) -> None:
        self._settings = settings
        self._config = config
        self._clock = clock
        self._store = real(store)
        self._begin_anew = begin_anew
        self._say = say
        self._or_another = or_another
        self._alive_s = alive_s
        self._writer: StoreWriter | None = None
        self._tell: Callable[[Event], Awaitable[None]] | None = None
        self._act: Act | None = None
        self._typed: Typed | None = None
        self._keeper: Bookkeeper | None = None
        self._faulted_s = -_FAULT_EVERY_S
        self._standing = Standing(config, clock)
        self._telling: set[asyncio.Task[None]] = set()
        self.port = settings.port
        self.page: Page | None = None
        """While it runs."""

    # -- what the daemon gives --------------------------------------------------------------

    def join(self, writer: StoreWriter | None, tell: Callable[[Event], Awaitable[None]]) -> None:
        self._writer, self._tell = writer, tell

    def obey(self, act: Act) -> None:
        self._act = act

    def keep_typed_with(self, typed: Typed, keeper: Bookkeeper) -> None:
        self._typed, self._keeper = typed, keeper

    # -- at work ----------------------------------------------------------------------------

    @property
    def url(self) -> str:
        """Where it is, for somebody at this machine."""
        scheme = "https" if self._settings.cert_file else "http"
        near = {"localhost": "127.0.0.1", "0.0.0.0": "127.0.0.1", "::": "::1"}  # noqa: S104
        host = near.get(self._settings.host, self._settings.host)
        return f"{scheme}://{f'[{host}]' if ':' in host else host}:{self.port}/"

    async def run(self, heard: Subscription[Said]) -> None:
        listening = await asyncio.to_thread(bind, self._settings, or_another=self._or_another)
        self.port = listening.getsockname()[1]
        own_token = secrets.token_urlsafe(32)
        reader = Reader(self._store)
        try:
            page = self._page(reader)
            app = make_app(page, self._settings, own_token, self._fault)
            server = make_server(app, self._settings)
            await page.hub.begin()
            self._hang_up_plate(own_token)
            self.page = page
            self._say(self.url)
            await self._work(page, server, listening, heard)
        finally:
            self.page = None
            listening.close()
            reader.close()
            with suppress(OSError):
                doorplate(self._store).unlink(missing_ok=True)

    def _page(self, reader: Reader) -> Page:
        beyond = not self._settings.is_loopback
        page = Page(
            self._config,
            self._clock,
            self._store,
            reader,
            self._standing,
            StaticFiles(),
            Tokens(tokens_file(self._settings.tokens_file, self._store)) if beyond else None,
            is_secure=self._settings.cert_file is not None,
        )
        page.tell, page.act = self._tell, self._act
        if self._writer is not None:
            page.take_typed, page.keeper = self._typed, self._keeper
        page.hub = Hub(
            reader,
            self._standing,
            self._clock,
            lambda number: snapshot(page, number),
            most=self._settings.streams,
            alive_s=self._alive_s,
        )
        page.search = Search(page, self._begin_anew)
        return page

    async def _work(
        self, page: Page, server: PageServer, listening: socket.socket, heard: Subscription[Said]
    ) -> None:
        async def listen() -> None:
            async for said in heard:
                self._standing.hear(said)
                page.hub.hear(said)

        serving = asyncio.create_task(server.serve(sockets=[listening]), name="page server")
        telling = asyncio.create_task(page.hub.work(), name="page hub")
        hearing = asyncio.create_task(listen(), name="page hears")
        tasks = {serving, telling, hearing}
        try:
            await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            page.hub.close("ouzel stops or begins anew")
            server.stop()
            hearing.cancel()
            telling.cancel()
            await page.search.cancel()
            await asyncio.wait({serving}, timeout=_END_S)
            serving.cancel()
            done, _ = await asyncio.wait(tasks)
        for task in done:
            if not task.cancelled() and (error := task.exception()) is not None:
                raise error

    def _hang_up_plate(self, own_token: str) -> None:
        """Tell other commands of this user where the page is, and let them in."""
        said = {"url": self.url, "token": own_token, "pid": os.getpid()}
        try:
            write_private(doorplate(self._store), json.dumps(said))
        except OSError as error:
            _log.warning("other commands will not find the page: %s", error)

    def _fault(self, error: BaseException) -> None:
        """A fault of ours: the whole of it into the log, a line into the events."""
        now_s = time.monotonic()
        if now_s - self._faulted_s < _FAULT_EVERY_S:
            return
        self._faulted_s = now_s
        _log.error("a fault in the page", exc_info=error)
        if self.page is not None:
            text = f"{type(error).__name__}: {error}"[:300]
            task = asyncio.create_task(self.page.note("page_fault", text), name="page fault")
            self._telling.add(task)
            task.add_done_callback(self._telling.discard)
