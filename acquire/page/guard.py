"""Who is let in, and with what: the one door before every route. Names, origins, tokens, limits.

A browser on this machine is asked by every site its person visits: a page from elsewhere must
neither read nor order anything, also not by a name that leads here (DNS rebinding). What follows
the Fetch standard (Origin, Sec-Fetch-*) and RFC 9110 (Host, 421) is said beside it.
"""

from __future__ import annotations

import asyncio
import hmac
import socket
import time
from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING

from acquire.outward import PageConfig
from acquire.page.answers import Refused, answer
from acquire.page.heads import bucket_of, headers_of, host_of, is_address
from acquire.page.rates import Rates
from acquire.page.tokens import Tokens

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["COOKIE", "POLICY", "WELCOME", "Guard"]

COOKIE = "ouzel"
WELCOME = "ouzel.welcome"
"""Key in an ASGI scope: whether who asked may still be here."""
BODY_S = 10.0
_PATH_BYTES, _QUERY_BYTES = 1024, 4096
_BURST_S = 5.0
_ORDERS_PER_S, _ORDERS_AT_ONCE = 4.0, 20.0
_ENTRIES_PER_S, _ENTRIES_AT_ONCE = 0.1, 5.0
_OPEN = ("/static/", "/enter", "/api/1/enter", "/favicon.ico")

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; "
    "connect-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
_HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
    "cache-control": "no-store",
}


class Guard:
    """ASGI middleware around everything. `tokens` is None where only this machine can come."""

    def __init__(
        self,
        app: ASGIApp,
        page: PageConfig,
        tokens: Tokens | None,
        own_token: str,
        *,
        fault: Callable[[BaseException], None],
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self._app = app
        self._page = page
        self._tokens = tokens
        self._own_token = own_token
        self._fault = fault
        self._all = Rates(page.rate_per_s, page.rate_per_s * _BURST_S, now)
        self._orders = Rates(_ORDERS_PER_S, _ORDERS_AT_ONCE, now)
        self._entries = Rates(_ENTRIES_PER_S, _ENTRIES_AT_ONCE, now)
        own = socket.gethostname().lower().rstrip(".")
        self._names = {"localhost", own, own.partition(".")[0], *(n.lower() for n in page.hosts)}
        self._names |= {f"{name}.local" for name in (own, own.partition(".")[0]) if "." not in name}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        begun = False

        async def sending(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                held = {name.lower() for name, _ in message["headers"]}
                message["headers"] = [
                    *message["headers"],
                    *(
                        (name.encode(), value.encode())
                        for name, value in _HEADERS.items()
                        if name.encode() not in held
                    ),
                ]
            await send(message)

        try:
            self._look_at(scope)
            if scope["method"] == "POST":
                receive = await self._whole_body(scope, receive)
            await self._app(scope, receive, sending)
        except Refused as refused:
            more = {"retry-after": "1"} if refused.status in {429, 503} else {}
            if refused.status == 401 and not scope["path"].startswith("/api/"):
                response = answer({"error": refused.text}, 303, {"location": "/enter"})
            else:
                said = {"error": refused.text, **refused.more}
                response = answer(said, refused.status, {**more, "connection": "close"})
            await response(scope, receive, sending)
        except Exception as error:  # (a fault of ours must not end the server)
            self._fault(error)
            if begun:
                raise
            said = {"error": "a fault inside ouzel: `ouzel doctor`, and the events, know more"}
            await answer(said, 500)(scope, receive, sending)

    def _look_at(self, scope: Scope) -> None:
        headers = headers_of(scope)
        address = bucket_of(scope)
        if not self._all.takes(address):
            raise Refused(429, "too many requests: wait a moment")
        if len(scope["raw_path"]) > _PATH_BYTES or len(scope["query_string"]) > _QUERY_BYTES:
            raise Refused(414, "the address is too long")
        self._require_host(headers)
        self._require_own_origin(scope, headers)
        method, path = scope["method"], scope["path"]
        if method not in {"GET", "HEAD", "POST"}:
            raise Refused(405, "GET and POST only")
        if method == "POST":
            if path == "/api/1/enter":
                if not self._entries.takes(address):
                    raise Refused(429, "too many tries: wait ten seconds")
            elif not self._orders.takes(address):
                raise Refused(429, "too many orders: wait a second")
            kind = headers.get("content-type", "").partition(";")[0].strip().lower()
            if kind != "application/json":
                raise Refused(415, "send JSON, with Content-Type: application/json")
        if self._tokens is not None and not path.startswith(_OPEN):
            if not self._is_known(headers):
                raise Refused(401, "a token is needed: `ouzel page invite` makes one")
            scope[WELCOME] = lambda: self._is_known(headers)

    def _require_host(self, headers: dict[str, str]) -> None:
        """RFC 9110 section 7.4: a request for an authority that this server is not gets 421."""
        name = host_of(headers.get("host", ""))
        if not name:
            raise Refused(400, "the request names no host")
        if name in self._names or is_address(name):
            return
        raise Refused(421, "this machine does not go by that name: add it to hosts in [page]")

    def _require_own_origin(self, scope: Scope, headers: dict[str, str]) -> None:
        """Fetch standard: Origin says where a script came from, Sec-Fetch-Site how that stands."""
        origin = headers.get("origin")
        if origin is not None:
            _, slashes, authority = origin.partition("://")
            if not slashes or authority.lower() != headers.get("host", "").lower():
                raise Refused(403, "asked from the page of another site")
        site = headers.get("sec-fetch-site", "none")
        if site in {"same-origin", "none"}:
            return
        is_visit = headers.get("sec-fetch-mode") == "navigate" and scope["method"] == "GET"
        if not is_visit or scope["path"].startswith("/api/"):
            raise Refused(403, "asked from the page of another site")

    def _is_known(self, headers: dict[str, str]) -> bool:
        assert self._tokens is not None  # noqa: S101  (asked only then)
        kind, _, bearer = headers.get("authorization", "").partition(" ")
        if kind.lower() == "bearer":
            bearer = bearer.strip()
            own = hmac.compare_digest(bearer.encode(), self._own_token.encode())
            return own or self._tokens.knows(bearer)
        cookie: SimpleCookie = SimpleCookie()
        try:
            cookie.load(headers.get("cookie", ""))
        except CookieError:
            return False
        return COOKIE in cookie and self._tokens.knows(cookie[COOKIE].value)

    async def _whole_body(self, scope: Scope, receive: Receive) -> Receive:
        """Take the body before anything is done with it: bounded in length and time."""
        most = self._page.body_bytes
        length = headers_of(scope).get("content-length", "0")
        if not length.isdecimal() or len(length) > 18 or int(length) > most:
            raise Refused(413, f"the body is longer than {most} bytes")
        body = bytearray()
        try:
            async with asyncio.timeout(BODY_S):
                more = True
                while more:
                    message = await receive()
                    if message["type"] == "http.disconnect":
                        raise Refused(400, "the body broke off")
                    body += message.get("body", b"")
                    more = message.get("more_body", False)
                    if len(body) > most:
                        raise Refused(413, f"the body is longer than {most} bytes")
        except TimeoutError:
            raise Refused(408, "the body does not arrive") from None
        given = False

        async def again() -> Message:
            nonlocal given
            if given:
                return await receive()
            given = True
            return {"type": "http.request", "body": bytes(body), "more_body": False}

        return again
