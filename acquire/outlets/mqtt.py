"""One connection to an MQTT broker: the only module that knows aiomqtt.

aiomqtt is the present name of asyncio-mqtt. It takes a publication that the broker refused for a
success: the reason code of the acknowledgement is only seen by its inner client, so `Link` listens
there (`_client.on_publish`; hence the pinned version, and tests that hold it). It also spends three
turns of the event loop and a task on each publication, and looks after the connection every second:
`Link` hands several to the inner client at once, which sends them on the spot.
"""

from __future__ import annotations

import asyncio
import logging
import ssl
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from typing import Any

from aiomqtt import Client, MqttCodeError, MqttError, ProtocolVersion, Will
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from acquire.outlets.messages import Message
from acquire.outlets.mqtt_packets import in_one_piece, properties_of, published
from acquire.outlets.tls import tls_context
from acquire.outlets.trouble import LinkLost, LinkRefused, NoSuchVersion, explained, refusal
from acquire.outward import MqttConfig, read_secret

__all__ = ["Incoming", "Link", "LinkLost", "LinkRefused", "NoSuchVersion", "open_link"]

CONNECT_S = 3.0
"""How long making the connection may take: a stop in the meantime has to wait for it."""
ANSWER_S = 10.0
"""How long the broker may leave anything unanswered before the connection counts as lost."""
_SILENT = logging.getLogger("ouzel.mqtt")
"""A broker that floods us would else write a line a message; what matters is told as an event."""
_SILENT.addHandler(logging.NullHandler())
_SILENT.propagate = False
_AT_ONCE = 20
"""So many messages wait for their acknowledgements together; the inner client takes no more."""
_LOOKS = 6
"""So often within the keep-alive time a connection is looked after."""
_VERSION_REFUSED = {0x84, 0x01}  # unsupported protocol version, in MQTT 5 and 3.1.1


@dataclass(frozen=True, slots=True)
class Incoming:
    """A message from the broker."""

    topic: str
    payload: bytes
    is_retained: bool
    answer_to: str
    """Response topic; empty when none was named."""
    correlation: bytes


class Link:
    """An open connection. Publications go out in the order they are asked for."""

    def __init__(self, client: Client, *, is_5: bool) -> None:
        """Use `open_link`."""
        self._client = client
        self.is_5 = is_5
        self._turn = asyncio.Lock()
        self._waiting: dict[int, asyncio.Future[str]] = {}
        self._inner = client._client  # noqa: SLF001 - see the head of this file
        self._heard: Any = self._inner.on_publish
        self._inner.on_publish = self._on_publish
        self._inner.on_socket_register_write = self._write

    def _on_publish(self, client: Any, data: Any, mid: int, code: Any, properties: Any) -> None:
        waiting = self._waiting.pop(mid, None)
        if waiting is None:
            self._heard(client, data, mid, code, properties)
        elif not waiting.done():
            waiting.set_result(str(code) if code is not None and code.is_failure else "")

    def _write(self, client: Any, data: Any, sock: Any) -> None:
        """Send at once what the inner client has to send; what finds no room waits for it."""
        try:
            client.loop_write()
        except Exception as error:  # noqa: BLE001 - whatever it is, the connection is gone
            lost = self._client._disconnected  # noqa: SLF001
            if not lost.done():
                lost.set_exception(error)
            return
        if client.want_write() and client.socket() is sock:
            self._client._on_socket_register_write(client, data, sock)  # noqa: SLF001

    async def publish(self, message: Message) -> str:
        """Send it and, with QoS 1, wait until the broker has it. Gives why it refused, or nothing.

        Raises:
            LinkLost: there was no answer; nobody knows whether it arrived.

        """
        (reason,) = await self.publish_all([message])
        return reason

    async def publish_all(self, messages: Sequence[Message]) -> list[str]:
        """Send them as one piece, in order; gives for each why the broker refused it, or nothing.

        Raises:
            LinkLost: there was no answer; nobody knows which arrived.

        """
        reasons: list[str] = []
        async with self._turn:
            for start in range(0, len(messages), _AT_ONCE):
                reasons += await self._publish_some(messages[start : start + _AT_ONCE])
        return reasons

    async def _publish_some(self, messages: Sequence[Message]) -> list[str]:
        try:
            with in_one_piece(self._inner.socket()):
                sent = [self._hand_over(message) for message in messages]
            if not self._waiting:
                return ["" for _ in sent]
            async with asyncio.timeout(ANSWER_S):
                return ["" if waiting is None else await waiting for waiting in sent]
        except TimeoutError as error:
            raise LinkLost(explained(MqttError("Operation timed out"))) from error
        except (MqttError, ValueError, OSError) as error:
            raise LinkLost(explained(error)) from error
        finally:
            self._waiting.clear()

    def _hand_over(self, message: Message) -> asyncio.Future[str] | None:
        """Give what to wait for; None when it is on its way and nobody will answer."""
        info = self._inner.publish(
            message.topic,
            message.payload,
            message.qos,
            message.retain,
            published(message) if self.is_5 else None,
        )
        if info.rc != 0:
            raise MqttCodeError(info.rc, "Could not publish message")
        if info.is_published():
            return None
        waiting: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        self._waiting[info.mid] = waiting
        return waiting

    async def answer(self, asked: Incoming, payload: bytes) -> None:
        """Say something where the sender of a message asked to be answered."""
        if not asked.answer_to or not self.is_5:
            return
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.ContentType = "application/json"
        if asked.correlation:
            properties.CorrelationData = asked.correlation
        async with self._turn:
            with suppress(MqttError, ValueError):
                await self._client.publish(asked.answer_to, payload, 1, properties=properties)

    async def subscribe(self, topic: str, qos: int = 0) -> str:
        """Ask for a topic; gives why the broker refused, or nothing."""
        try:
            codes = await self._client.subscribe(topic, qos)
        except ValueError:
            return "no topic filter: # stands only at the end, + and # alone between slashes"
        except (MqttError, OSError) as error:
            raise LinkLost(explained(error)) from error
        _heed_cancellation()
        refused = [code for code in codes if getattr(code, "value", code) >= 0x80]
        return str(refused[0]) if refused else ""

    async def messages(self) -> AsyncIterator[Incoming]:
        """Give what comes; raises LinkLost at once when the connection goes."""
        iterator = self._client.messages
        while True:
            try:
                found = await anext(iterator)
            except MqttError as error:
                cause = error.__cause__
                raise LinkLost(explained(cause if cause is not None else error)) from error
            payload = found.payload if isinstance(found.payload, bytes) else b""
            said = found.properties
            yield Incoming(
                str(found.topic),
                payload,
                bool(found.retain),
                str(getattr(said, "ResponseTopic", "") or ""),
                bytes(getattr(said, "CorrelationData", b"") or b""),
            )


@asynccontextmanager
async def open_link(
    settings: MqttConfig, client_id: str, will: Message | None, *, is_5: bool
) -> AsyncIterator[Link]:
    """Connect; the broker publishes `will` when we vanish without a word.

    Raises:
        NoSuchVersion: try the other one.
        LinkRefused: bad user, password or rights.
        LinkLost: no connection.

    """
    client = _client(settings, client_id, will, is_5=is_5)
    inner = client._client  # noqa: SLF001 - see the head of this file
    inner.connect_timeout = CONNECT_S
    gone = asyncio.Event()
    loop, heard = asyncio.get_running_loop(), inner.on_disconnect

    def on_disconnect(*said: Any) -> None:
        loop.call_soon_threadsafe(gone.set)
        if heard is not None:
            heard(*said)

    inner.on_disconnect = on_disconnect
    try:
        await _enter(client, gone)
    except BaseException:
        _drop(client)
        raise
    _look_less_often(client, settings.keepalive_s)
    try:
        yield Link(client, is_5=is_5)
        # Only who has said all goes with a goodbye, for that takes the will back. Whoever leaves
        # by an error hangs up instead, and the broker publishes it.
        with suppress(MqttError, TimeoutError, ValueError):
            async with asyncio.timeout(0.5):  # a broker that does not answer must not keep us
                await client.__aexit__(None, None, None)
    finally:
        _drop(client)


async def _enter(client: Client, gone: asyncio.Event) -> None:
    """Connect; aiomqtt alone would not see a broker that hangs up instead of answering."""
    entering = asyncio.ensure_future(client.__aenter__())
    hanging_up = asyncio.ensure_future(gone.wait())
    try:
        await asyncio.wait({entering, hanging_up}, return_when=asyncio.FIRST_COMPLETED)
        if not entering.done():
            raise NoSuchVersion(explained(None))
        entering.result()
    except MqttConnectError as error:
        code = getattr(error.rc, "value", error.rc)
        kind = NoSuchVersion if code in _VERSION_REFUSED else LinkRefused
        raise kind(refusal(error.rc, code)) from error
    except (MqttError, OSError, ValueError) as error:
        raise LinkLost(explained(error)) from error
    finally:
        for task in (entering, hanging_up):
            task.cancel()
        await asyncio.wait({entering, hanging_up})
        if not entering.cancelled():
            entering.exception()


def _heed_cancellation() -> None:
    """End a task that was cancelled while the broker answered.

    `asyncio.wait_for`, which aiomqtt waits with, loses such a cancellation before Python 3.12.
    """
    task = asyncio.current_task()
    if task is not None and task.cancelling():
        raise asyncio.CancelledError


def _drop(client: Client) -> None:
    """Let go of the socket whatever state the client is in; it does not do that by itself."""
    inner = client._client  # noqa: SLF001 - see the head of this file
    with suppress(Exception):
        inner._sock_close()  # noqa: SLF001
    misc = client._misc_task  # noqa: SLF001
    if misc is not None:
        misc.cancel()
    for future in (client._connected, client._disconnected):  # noqa: SLF001
        if future.done() and not future.cancelled():
            future.exception()  # seen: nobody will ask for it


def _client(settings: MqttConfig, client_id: str, will: Message | None, *, is_5: bool) -> Client:
    connect = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    # The will comes when its delay is over or the session ends, whichever is first.
    connect.SessionExpiryInterval = settings.will_delay_s + 1
    more: dict[str, Any] = {"clean_session": True}
    if is_5:
        # A clean start would end the old session, and so publish the will at each reconnection.
        more = {"clean_start": False, "properties": connect}
    password = None if settings.password_file is None else read_secret(settings.password_file)
    return Client(
        settings.host,
        settings.port_used,
        username=settings.user,
        password=password,
        identifier=client_id,
        protocol=ProtocolVersion.V5 if is_5 else ProtocolVersion.V311,
        will=None if will is None else _last_will(will, settings.will_delay_s, is_5=is_5),
        transport=settings.transport,
        websocket_path=settings.websocket_path if settings.transport == "websockets" else None,
        tls_context=_context(settings) if settings.has_tls else None,
        timeout=ANSWER_S,
        keepalive=settings.keepalive_s,
        logger=_SILENT,
        max_queued_incoming_messages=100,
        max_queued_outgoing_messages=100,
        **more,
    )


def _last_will(will: Message, delay_s: int, *, is_5: bool) -> Will:
    properties = properties_of(will, PacketTypes.WILLMESSAGE)
    properties.WillDelayInterval = delay_s
    return Will(will.topic, will.payload, will.qos, will.retain, properties if is_5 else None)


def _context(settings: MqttConfig) -> ssl.SSLContext:
    try:
        return tls_context(settings, CONNECT_S)
    except (OSError, ssl.SSLError) as error:
        raise LinkLost(
            f"the certificates cannot be used: {error}: look at ca_file, cert_file and key_file"
        ) from error


def _look_less_often(client: Client, keepalive_s: int) -> None:
    """Look after the connection some times within the keep-alive time, not every second."""
    inner, every_s = client._client, max(1.0, keepalive_s / _LOOKS)  # noqa: SLF001

    async def look() -> None:
        while inner.loop_misc() == 0:  # noqa: ASYNC110 - the library has to be asked
            await asyncio.sleep(every_s)

    if client._misc_task is not None:  # noqa: SLF001
        client._misc_task.cancel()  # noqa: SLF001
        client._misc_task = asyncio.get_running_loop().create_task(look(), name="mqtt alive")  # noqa: SLF001
