"""One port that several meters of this program use: opened by the first, closed by the last.

A bus has one port and many addresses, and a port has one owner. The meters meet here: each enters
`shared_port` with the same key, and all are given the same bus. Taking turns on it is the bus's own
matter, since what may not be interrupted differs from wire to wire.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator, Awaitable, Callable, Hashable
from contextlib import asynccontextmanager
from typing import Any, Generic, Protocol, TypeVar, cast
from weakref import WeakKeyDictionary

from acquire.errors import MeterUnavailable, Unavailable
from drivers.profile import SerialSettings

__all__ = ["Shareable", "shared_port", "wire_words"]


class Shareable(Protocol):
    """What is shared: an opened bus."""

    @property
    def is_over(self) -> bool:
        """Whether the link is lost: whoever comes next opens anew."""
        ...

    async def close(self) -> None:
        """Let go of the port. May be called again; whoever waits for bytes gets `MeterLost`."""
        ...


Bus = TypeVar("Bus", bound=Shareable)


class _Port(Generic[Bus]):
    """One port and how many use it."""

    def __init__(self) -> None:
        self.users = 0
        self.changing = asyncio.Lock()
        """Held while it is opened or closed: nobody finds it half open."""
        self.bus: Bus | None = None
        self.terms: Hashable = None


_ports: WeakKeyDictionary[asyncio.AbstractEventLoop, dict[str, _Port[Any]]] = WeakKeyDictionary()


@asynccontextmanager
async def shared_port(
    key: str, terms: Hashable, opener: Callable[[], Awaitable[Bus]]
) -> AsyncGenerator[Bus]:
    """Give the bus on that port: the one already open, else what `opener` opens.

    `key` names the port, however it was written. `terms` are what all users must agree on (driver,
    speed, parity, ...): who asks for others gets `MeterUnavailable`. Errors of `opener` pass
    through. A bus that is gone is closed at once, for all its users, and never given again.
    """
    ports = _ports.setdefault(asyncio.get_running_loop(), {})
    port = cast("_Port[Bus]", ports.setdefault(key, _Port()))
    port.users += 1
    try:
        bus = await _enter(port, key, terms, opener)
        try:
            yield bus
        finally:
            if bus.is_over:
                await bus.close()
    finally:
        port.users -= 1
        if not port.users:
            await _leave(port, ports, key)


async def _enter(
    port: _Port[Bus], key: str, terms: Hashable, opener: Callable[[], Awaitable[Bus]]
) -> Bus:
    async with port.changing:
        if port.bus is not None and port.bus.is_over:
            await port.bus.close()  # the others have not noticed yet
            port.bus = None
        if port.bus is None:
            port.bus = await opener()
            port.terms = terms
        elif port.terms != terms:
            raise MeterUnavailable(
                f"{key} is in use with other settings: {port.terms}, now asked for: {terms}; "
                "all meters on one port need the same",
                reason=Unavailable.SETTINGS,
            )
        return port.bus


async def _leave(port: _Port[Bus], ports: dict[str, _Port[Any]], key: str) -> None:
    async with port.changing:
        if port.users:
            return  # somebody came while it was being closed
        if port.bus is not None:
            await port.bus.close()
            port.bus = None
        if ports.get(key) is port:
            del ports[key]


def wire_words(wire: SerialSettings) -> str:
    """Write serial settings as the trade does: 9600 8N1."""
    return f"{wire.baudrate} {wire.data_bits}{wire.parity[0].upper()}{wire.stop_bits}"
