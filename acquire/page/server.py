"""The web server inside the daemon: no signal handlers of its own, impatient, gone when told to.

uvicorn's own ways do not fit a daemon: it takes the process's signals, waits for ever for the head
of a request, and while a stream is open does not end.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from email.utils import formatdate
from typing import TYPE_CHECKING, Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from acquire.errors import ConfigError
from acquire.outward import PageConfig

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Receive, Scope, Send

__all__ = ["ABORT", "Connection", "PageServer", "bind", "make_server"]

ABORT = "ouzel.abort"
"""Key in an ASGI scope: cuts the connection at once, whatever is still to be sent."""
HEAD_S = 10.0
"""How long a request's head may take to arrive."""
LEAVE_S = 0.3
"""After that long connections that still stand when the server ends are cut."""
OTHERS = 64
"""Connections beside the streams."""
HEAD_BYTES = 16 * 1024
_OTHER_PORTS = 10


class Connection(H11Protocol):
    """One connection; cut when the head of a request does not come."""

    _timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        inner = self.app

        async def with_abort(scope: Scope, receive: Receive, send: Send) -> None:
            scope[ABORT] = transport.abort
            await inner(scope, receive, send)

        self.app = with_abort
        self._be_impatient()

    def data_received(self, data: bytes) -> None:
        date = (b"date", formatdate(usegmt=True).encode())
        self.server_state.default_headers = [date, *self.config.encoded_headers]
        before = self.cycle
        super().data_received(data)
        if self.cycle is None or (self.cycle is before and self.cycle.response_complete):
            self._be_impatient()
        else:
            self._be_patient()

    def connection_lost(self, exc: Exception | None) -> None:
        self._be_patient()
        super().connection_lost(exc)

    def _be_impatient(self) -> None:
        if self._timer is None:
            self._timer = self.loop.call_later(HEAD_S, self.transport.abort)

    def _be_patient(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None


class PageServer(uvicorn.Server):
    """Ends within a second when told to `stop`; sleeps meanwhile, where uvicorn looks ten times a
    second whether it should.
    """

    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self._stopping = asyncio.Event()

    def stop(self) -> None:
        self.should_exit = True
        self._stopping.set()

    async def main_loop(self) -> None:
        await self._stopping.wait()

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """The daemon has its own."""
        yield

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        cut = asyncio.get_running_loop().call_later(LEAVE_S, self._cut)
        try:
            await super().shutdown(sockets)
        finally:
            cut.cancel()
            self._cut()

    def _cut(self) -> None:
        for connection in list(self.server_state.connections):
            if isinstance(connection, Connection):
                connection.transport.abort()


def make_server(app: ASGIApp, page: PageConfig) -> PageServer:
    """Give the server; ConfigError when certificate and key cannot be used."""
    tls: dict[str, Any] = {}
    if page.cert_file is not None and page.key_file is not None:
        tls = {"ssl_certfile": str(page.cert_file), "ssl_keyfile": str(page.key_file)}
    config = uvicorn.Config(
        app,
        http=Connection,
        ws="none",
        loop="none",
        lifespan="off",
        log_config=None,
        log_level="critical",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        limit_concurrency=page.streams + OTHERS,
        timeout_keep_alive=5,
        timeout_graceful_shutdown=1,
        h11_max_incomplete_event_size=HEAD_BYTES,
        **tls,
    )
    try:
        config.load()
    except OSError as error:  # ssl.SSLError is one
        raise ConfigError(
            f"certificate and key cannot be used: {error}", key="page.cert_file"
        ) from error
    return PageServer(config)


def bind(page: PageConfig, *, or_another: bool = False) -> socket.socket:
    """Take the port; with `or_another` one of the next, at last any free one.

    OSError when it is taken, with what to do.
    """
    host = "127.0.0.1" if page.host == "localhost" else page.host
    tries = [page.port]
    if or_another and page.port:
        tries += [*range(page.port + 1, min(page.port + _OTHER_PORTS, 65536)), 0]
    problem: OSError | None = None
    for port in tries:
        try:
            family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
            return socket.create_server(
                (host, port), family=family, dualstack_ipv6=host == "::", backlog=128
            )
        except OSError as error:
            problem = problem or error
    raise OSError(
        f"the page cannot listen at {page.host} port {page.port}: "
        f"{getattr(problem, 'strerror', None) or problem}; another [page] port, or on = false"
    )
