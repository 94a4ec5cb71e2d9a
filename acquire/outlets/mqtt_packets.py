"""What goes over the wire beside a message: its properties in MQTT 5, packed once; few packets."""

from __future__ import annotations

import math
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import lru_cache
from typing import Any

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from acquire.outlets.messages import Message

__all__ = ["in_one_piece", "properties_of", "published"]


class _Packed(Properties):
    """Properties that many messages have alike: made and packed once, not to be changed."""

    def pack(self) -> bytes:
        packed: bytes | None = self.__dict__.get("packed")
        if packed is None:
            packed = super().pack()  # type: ignore[no-untyped-call]
            self.__dict__["packed"] = packed
        return packed


def published(message: Message) -> Properties:
    """Give the properties a message is published with; shared with its like."""
    return _packed(message.content_type, message.expiry_s, message.properties)


def properties_of(message: Message, kind: int = PacketTypes.PUBLISH) -> Properties:
    """Give the properties of a message in a packet of that kind, to add others to."""
    properties = Properties(kind)  # type: ignore[no-untyped-call]
    _fill(properties, message.content_type, message.expiry_s, message.properties)
    return properties


@lru_cache(64)
def _packed(
    content_type: str, expiry_s: float | None, own: tuple[tuple[str, str], ...]
) -> Properties:
    properties = _Packed(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    _fill(properties, content_type, expiry_s, own)
    return properties


def _fill(
    properties: Properties,
    content_type: str,
    expiry_s: float | None,
    own: tuple[tuple[str, str], ...],
) -> None:
    properties.ContentType = content_type
    properties.PayloadFormatIndicator = 0 if content_type.endswith("cbor") else 1
    if expiry_s is not None:
        properties.MessageExpiryInterval = math.ceil(expiry_s)
    if own:
        properties.UserProperty = list(own)


@contextmanager
def in_one_piece(sock: Any) -> Iterator[None]:
    """Let the kernel send what is written meanwhile as few packets: each wakes the broker."""
    option = getattr(socket, "TCP_CORK", None)  # Linux only
    if option is None or not isinstance(sock, socket.socket):  # a WebSocket's wrapper
        yield
        return
    with suppress(OSError):  # it is gone: that shows by itself
        sock.setsockopt(socket.IPPROTO_TCP, option, 1)
    try:
        yield
    finally:
        with suppress(OSError):
            sock.setsockopt(socket.IPPROTO_TCP, option, 0)
