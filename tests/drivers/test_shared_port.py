"""Several meters, one port: who opens it, who closes it, what happens when it goes."""

from __future__ import annotations

import asyncio
from contextlib import AsyncExitStack

import pytest

from acquire.errors import MeterLost, MeterUnavailable
from drivers.shared_port import shared_port


class Bus:
    def __init__(self) -> None:
        self.is_over = False
        self.closed = 0

    async def close(self) -> None:
        await asyncio.sleep(0)
        self.closed += 1


class Yard:
    """Opens buses and remembers them."""

    def __init__(self) -> None:
        self.opened: list[Bus] = []
        self.refusals = 0

    async def __call__(self) -> Bus:
        await asyncio.sleep(0)
        if self.refusals:
            self.refusals -= 1
            raise MeterUnavailable("no such port")
        assert all(bus.closed for bus in self.opened), "the port has one owner"
        self.opened.append(Bus())
        return self.opened[-1]


async def test_the_first_opens_the_last_closes() -> None:
    yard = Yard()
    async with shared_port("p", 1, yard) as first:
        async with shared_port("p", 1, yard) as second:
            assert first is second
        assert first.closed == 0
    assert first.closed == 1
    assert yard.opened == [first]


async def test_those_who_come_at_once_share_one_opening() -> None:
    yard = Yard()

    async def use() -> None:
        async with shared_port("p", 1, yard):
            await asyncio.sleep(0.001)

    await asyncio.gather(*(use() for _ in range(10)))
    assert len(yard.opened) == 1


async def test_who_comes_while_it_is_closed_waits_and_opens_anew() -> None:
    yard = Yard()

    async def use() -> None:
        for _ in range(20):
            async with shared_port("p", 1, yard):
                await asyncio.sleep(0)

    await asyncio.gather(use(), use(), use())
    assert all(bus.closed == 1 for bus in yard.opened)


async def test_other_ports_are_other_buses() -> None:
    a, b = Yard(), Yard()
    async with shared_port("a", 1, a) as one, shared_port("b", 1, b) as other:
        assert one is not other


async def test_other_settings_on_an_open_port_are_refused_and_leave_it_alone() -> None:
    yard = Yard()
    async with shared_port("p", "1200 7E1", yard) as bus:
        with pytest.raises(MeterUnavailable, match=r"1200 7E1, now asked for: 9600 8N1"):
            async with shared_port("p", "9600 8N1", yard):
                raise AssertionError("given")
        assert bus.closed == 0
    async with shared_port("p", "9600 8N1", yard):
        pass


async def test_a_refusal_to_open_passes_and_the_next_one_tries_again() -> None:
    yard = Yard()
    yard.refusals = 1
    with pytest.raises(MeterUnavailable, match="no such port"):
        async with shared_port("p", 1, yard):
            raise AssertionError("given")
    async with shared_port("p", 2, yard):
        pass


async def test_a_bus_that_is_over_is_closed_at_once_and_never_given_again() -> None:
    yard = Yard()
    async with AsyncExitStack() as slow:
        old = await slow.enter_async_context(shared_port("p", 1, yard))

        async def lose() -> None:
            async with shared_port("p", 1, yard):
                old.is_over = True
                raise MeterLost("unplugged")

        with pytest.raises(MeterLost):
            await lose()
        assert old.closed
        async with shared_port("p", 1, yard) as new:  # the slow one has not noticed yet
            assert new is not old
    assert new.closed == 1


async def test_cancelling_the_last_user_closes_the_port() -> None:
    yard = Yard()

    async def use() -> None:
        async with shared_port("p", 1, yard):
            await asyncio.sleep(60)

    user = asyncio.create_task(use())
    await asyncio.sleep(0.001)
    user.cancel()
    with pytest.raises(asyncio.CancelledError):
        await user
    assert yard.opened[0].closed == 1
