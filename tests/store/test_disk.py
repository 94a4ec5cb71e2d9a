"""A disk that fills up: said at once, nothing acknowledged is lost, work goes on once there is
room. The limit on file size stands in for the full disk: the system refuses the same writes."""

from __future__ import annotations

import asyncio
import contextlib
import resource

import pytest

from acquire.errors import MeterLost, StoreError, StoreStalled
from acquire.store import Records, StoreWriter


@contextlib.contextmanager
def no_room_beyond(size):
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.fixture
def log(store):
    return store.with_name(store.name + "-wal")


async def test_a_capture_that_found_no_room_is_refused_and_can_be_kept_later(
    store, fake_clock, said, capture, log
):
    writer = await StoreWriter.open(store, clock=fake_clock, patience_s=0.02)
    async with writer:
        await writer.keep(capture("c1"))
        await writer.add(said(0))
        with no_room_beyond(log.stat().st_size + 100):
            for _ in range(2):
                with pytest.raises(StoreStalled, match=r"writing failed: .*not kept: capture c2"):
                    await writer.keep(capture("c2"))
            with Records.open(store) as records:
                assert [one.id for one in records.captures()] == ["c1"]
                assert records.check() == ""
            assert writer.stats.readings == 0
            assert writer.stats.failures >= 2
        await writer.keep(capture("c2"))
        assert writer.stats.readings == 1
    with Records.open(store) as records:
        assert {one.id for one in records.captures()} == {"c1", "c2"}
        assert len(list(records.readings())) == 1
        assert records.check() == ""


async def test_readings_that_found_no_room_are_held_and_written_once_there_is_room(
    store, fake_clock, said, log, until
):
    writer = await StoreWriter.open(store, clock=fake_clock, commit_every_s=10, patience_s=0.5)
    async with writer:
        await writer.add(said(0))
        with no_room_beyond(log.stat().st_size + 100):
            await fake_clock.advance(10)
            await until(lambda: writer.stats.failures >= 2)  # tried again without being asked
            await writer.add(said(1))  # taken, and held as the first is
            assert writer.stats.readings == 0
        await until(lambda: writer.stats.readings == 2)
        await writer.add(said(2))
    with Records.open(store) as records:
        assert [one.stamp.at_ms for one in records.readings()] == [
            said(s).stamp.at_ms for s in range(3)
        ]


async def test_a_capture_waits_for_room_and_is_kept_when_it_comes(
    store, fake_clock, said, capture, log, until
):
    writer = await StoreWriter.open(store, clock=fake_clock, patience_s=5)
    async with writer:
        writer._stall.retry_s = 0.01
        await writer.add(said(0))
        with no_room_beyond(log.stat().st_size + 100):
            keeping = asyncio.create_task(writer.keep(capture("c1")))
            await until(lambda: writer.stats.failures >= 2)
            assert not keeping.done()
        await keeping
        assert writer.stats.readings == 1


async def test_without_room_for_too_long_the_next_reading_is_refused_and_told_of_those_held(
    store, fake_clock, said, log, until
):
    writer = await StoreWriter.open(store, clock=fake_clock, patience_s=0.05)
    async with writer:
        await writer.add(said(0))
        with no_room_beyond(log.stat().st_size + 100):
            with pytest.raises(StoreStalled, match="writing failed"):
                await writer.flush()
            with pytest.raises(StoreStalled, match="1 reading held to be tried again"):
                await writer.add(said(1))
        await until(lambda: writer.stats.readings == 1)
        await writer.add(said(1))
    with Records.open(store) as records:
        assert len(list(records.readings())) == 2


async def test_what_is_held_is_bounded(store, fake_clock, said, log):
    writer = await StoreWriter.open(store, clock=fake_clock, capacity=8, patience_s=0.02)
    async with writer:
        with no_room_beyond(log.stat().st_size + 100):
            refused = 0
            for second in range(50):
                try:
                    await writer.add(said(second))
                except StoreError:
                    refused += 1
            assert writer.stats.waiting <= 8
            assert refused == 50 - writer.stats.waiting
        taken = writer.stats.waiting
    with Records.open(store) as records:
        assert len(list(records.readings())) == taken


async def test_closing_without_room_says_how_much_was_lost_and_gives_the_store_back(
    store, fake_clock, said, log
):
    with pytest.raises(StoreError) as caught, contextlib.ExitStack() as stack:  # noqa: PT012
        async with await StoreWriter.open(store, clock=fake_clock) as writer:
            for second in range(3):
                await writer.add(said(second))
            stack.enter_context(no_room_beyond(log.stat().st_size + 100))
            raise MeterLost("unplugged")
    told = str(caught.value)
    assert f"{store}: 3 readings could not be written, now lost: writing failed: " in told
    assert told.endswith("; before that: unplugged")
    assert "nothing kept is lost" not in told
    async with await StoreWriter.open(store, clock=fake_clock) as again:
        await again.flush()
    with Records.open(store) as records:
        assert records.check() == ""
        assert not records.runs()[1].is_clean
