"""Looks whether the configured broker can be used: reached, trusted, let in, allowed to speak."""

from __future__ import annotations

import secrets
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager

from acquire.outlets.messages import Message
from acquire.outlets.mqtt import Link, open_link
from acquire.outlets.trouble import LinkLost, NoSuchVersion
from acquire.outward import MqttConfig

__all__ = ["Look", "look", "visiting"]

Look = tuple[bool, str]
"""Whether it is well, and what was seen."""


@asynccontextmanager
async def visiting(mqtt: MqttConfig, name: str) -> AsyncIterator[Link]:
    """Connect beside whatever else of ours is connected, in MQTT 5 or what the broker knows.

    An id of its own each time: with that of the daemon the broker would throw the daemon out.

    Raises:
        LinkLost: with what to do.

    """
    is_5 = mqtt.version != "3.1.1"
    name = f"ouzel-{name}-{secrets.token_hex(4)}"
    async with AsyncExitStack() as connection:
        try:
            link = await connection.enter_async_context(open_link(mqtt, name, None, is_5=is_5))
        except NoSuchVersion:
            if mqtt.version != "auto":
                raise
            link = await connection.enter_async_context(open_link(mqtt, name, None, is_5=not is_5))
        yield link


async def look(mqtt: MqttConfig) -> list[Look]:
    """Connect, ask for a topic, say something nobody keeps; never raises for what it meets."""
    where = f"{mqtt.host}:{mqtt.port_used}"
    found: list[Look] = []
    try:
        async with visiting(mqtt, "doctor") as link:
            way = "MQTT 5" if link.is_5 else "MQTT 3.1.1"
            way += ", TLS" if mqtt.has_tls else ""
            who = f"as {mqtt.user}" if mqtt.user else "without a user"
            found.append((True, f"{where} lets us in {who} ({way})"))
            if not mqtt.has_tls and mqtt.password_file is not None and not _is_here(mqtt.host):
                found.append((False, "the password goes over the network readable: use TLS"))
            topic = f"{mqtt.topic}/doctor"
            refused = await link.publish(Message(topic, b"", 1))
            rules = "the broker's rules (ACL) for this user must allow what is below it"
            if refused:
                found.append((False, f"publishing to {topic} is refused: {refused}: {rules}"))
            elif link.is_5:
                found.append((True, f"publishing below {mqtt.topic}/ is allowed"))
            else:
                found.append(
                    (True, f"published to {topic}; 3.1.1 cannot say whether it is allowed")
                )
            orders = [f"{mqtt.topic}/command/{word}" for word in mqtt.commands]
            for order in orders:
                refused = await link.subscribe(order, 1)
                if refused:
                    found.append((False, f"hearing {order} is refused: {refused}: {rules}"))
    except LinkLost as error:
        found.append((False, f"{where}: {error}"))
    return found


def _is_here(host: str) -> bool:
    return host in {"localhost", "::1"} or host.startswith("127.")
