"""Hosts the outlets: what carries outward what is said. One that fails costs no reading."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, runtime_checkable

from acquire.bench.standing import Said
from acquire.bus import Subscription
from acquire.clock import Clock
from acquire.meter import Backoff
from acquire.progress import Progress
from acquire.readings import Capture, Event, Role
from acquire.store.writer import StoreWriter

if TYPE_CHECKING:
    from acquire.bench.typed import Entry
    from acquire.errands import Bookkeeper

__all__ = [
    "GivesOrders",
    "HearsOnly",
    "Hosting",
    "House",
    "JoinsStore",
    "LateOutlet",
    "Outlet",
    "OverseesProgress",
    "TakesTyped",
    "Typed",
]

LAST_WORDS_S = 1.0
"""How long an outlet may take to say the last things when the program stops."""


class Outlet(Protocol):
    """Carries what is said outward. `run` returns when the listener ends; it may fail and is then
    begun again with the same listener.
    """

    name: str

    async def run(self, heard: Subscription[Said]) -> None: ...


@dataclass(frozen=True, slots=True)
class LateOutlet:
    """An outlet made, in a thread, once the meters are read: what it needs takes long to load.

    It hears all the same what was said before.
    """

    name: str
    make: Callable[[], Outlet]


@runtime_checkable
class JoinsStore(Protocol):
    """An outlet that takes from the store what waits there for it, and tells what befalls it.

    `writer` is None where nothing is recorded; both hold for the next `run`.
    """

    def join(
        self, writer: StoreWriter | None, tell: Callable[[Event], Awaitable[None]]
    ) -> None: ...


@runtime_checkable
class GivesOrders(Protocol):
    """An outlet over which somebody may ask for something: see `Daemon.order`."""

    def obey(self, act: Callable[[str, str, str], Awaitable[str]]) -> None: ...


@runtime_checkable
class OverseesProgress(Protocol):
    """An outlet that says outside whether the daemon really works."""

    def oversee(self, progress: Progress) -> None: ...


@runtime_checkable
class HearsOnly(Protocol):
    """An outlet that need not be woken for everything that is said."""

    only: tuple[type, ...]
    """The types of what it wants to hear."""


@runtime_checkable
class TakesTyped(Protocol):
    """An outlet over which a person types: numbers that were read, particles that were counted.

    See `Daemon.typed`; counts are for whoever keeps the book.
    """

    def keep_typed_with(self, typed: Typed, keeper: Bookkeeper) -> None: ...


class Typed(Protocol):
    """Keeps what was typed, and gives the capture once it is durable."""

    async def __call__(
        self,
        meter: str,
        entries: Sequence[Entry],
        *,
        stood_still: bool,
        water: str,
        role: Role | None,
    ) -> Capture: ...


@dataclass(frozen=True, slots=True)
class House:
    """What an outlet may be given of the daemon."""

    listen: Callable[[str], Subscription[Said]]
    writer: Callable[[], StoreWriter | None]
    tell: Callable[[Event], Awaitable[None]]
    note: Callable[[str, str], Awaitable[None]]
    order: Callable[[str, str, str], Awaitable[str]]
    typed: Typed
    keeper: Bookkeeper
    progress: Progress
    clock: Clock


class Hosting:
    """All outlets of one daemon."""

    def __init__(self, outlets: Sequence[Outlet | LateOutlet], house: House) -> None:
        """Let each hear everything from now on."""
        self._house = house
        self._heard = [(outlet, house.listen(outlet.name)) for outlet in outlets]
        self._tasks: list[asyncio.Task[None]] = []

    def begin(self, group: asyncio.TaskGroup) -> None:
        """Let those work that are there; give the meters their turn before the others are made."""
        late = [(one, heard) for one, heard in self._heard if isinstance(one, LateOutlet)]
        for outlet, heard in self._heard:
            if not isinstance(outlet, LateOutlet):
                self._host_in(group, outlet, heard)
        if late:
            task = group.create_task(self._make(late, group), name="outlets to come")
            self._tasks.append(task)

    async def end(self) -> None:
        """Let them say the last things, but not for long."""
        if self._tasks:
            _, late = await asyncio.wait(self._tasks, timeout=LAST_WORDS_S)
            for outlet in late:
                outlet.cancel()

    def _host_in(self, group: asyncio.TaskGroup, outlet: Outlet, heard: Subscription[Said]) -> None:
        self._tasks.append(group.create_task(self._host(outlet, heard), name=outlet.name))

    async def _make(
        self, late: Sequence[tuple[LateOutlet, Subscription[Said]]], group: asyncio.TaskGroup
    ) -> None:
        """Make one after the other, as they share what they load; the ports are opened first."""
        await asyncio.sleep(0)
        for one, heard in late:
            try:
                outlet = await asyncio.to_thread(one.make)
            except Exception as error:  # noqa: BLE001  (whatever it is, the readings go on)
                await self._tell_failed(one.name, error)
            else:
                self._host_in(group, outlet, heard)

    async def _host(self, outlet: Outlet, heard: Subscription[Said]) -> None:
        """Let an outlet work; one that fails is told of and begun again, and costs no reading."""
        house = self._house
        if isinstance(outlet, HearsOnly):
            heard.only = outlet.only
        if isinstance(outlet, JoinsStore):
            outlet.join(house.writer(), house.tell)
        if isinstance(outlet, GivesOrders):
            outlet.obey(house.order)
        if isinstance(outlet, TakesTyped):
            outlet.keep_typed_with(house.typed, house.keeper)
        if isinstance(outlet, OverseesProgress):
            outlet.oversee(house.progress)
        waits, failures = Backoff(first_s=1.0, most_s=300.0), 0
        while True:
            try:
                await outlet.run(heard)
            except Exception as error:  # noqa: BLE001  (whatever it is, the readings go on)
                failures += 1
                await self._tell_failed(outlet.name, error)
                await house.clock.sleep(waits.wait_s(failures))
            else:
                return

    async def _tell_failed(self, name: str, error: Exception) -> None:
        cause = _first(error)
        await self._house.note("outlet_failed", f"{name}: {type(cause).__name__}: {cause}")


def _first(error: BaseException) -> BaseException:
    """What failed inside a task group, instead of the group."""
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error
