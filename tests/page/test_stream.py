"""The stream: what is stored is told soon, once, in order, to whoever listens or comes back."""

from __future__ import annotations

import asyncio
import os
import socket
import time
import tracemalloc
from itertools import pairwise

import pytest

from acquire.readings import Capture
from acquire.store.records import Records


async def test_hello_says_everything_and_live_numbers_follow(house):
    async with asyncio.timeout(20), house.listen() as said:
        event, hello, number = await anext(said)
        assert event == "hello"
        assert hello["is"] == "now"
        assert hello["cursor"] == number
        assert hello["meters"][0]["meter"] == "kitchen"
        seen = set()
        while not {"reading", "status"} <= seen:
            event, data, number = await anext(said)
            seen.add(event)
            if event == "reading":
                assert set(data["values"]) == {"conductivity", "temperature"}
                assert "raw" not in data
                assert number is None


async def test_a_capture_is_told_within_300_ms_of_being_stored(build):
    house = await build(alive_s=60.0)
    stored = {}
    heard = house.daemon.listen("test")  # hears of it when it is durable

    async def note():
        async for said in heard:
            if isinstance(said, Capture):
                stored.setdefault((said.id, str(said.state)), time.monotonic())

    noting = asyncio.create_task(note())
    late = []
    async with asyncio.timeout(30), house.listen(only="capture") as said:
        async for event, data, _ in said:
            if event == "capture":
                late.append(time.monotonic() - stored[data["id"], data["state"]])
                with Records.open(house.store) as records:
                    assert records.capture(data["id"]) is not None
                if len(late) >= 6:
                    break
    noting.cancel()
    assert max(late) < 0.3, late


async def test_a_resumed_stream_misses_nothing_and_tells_nothing_twice(house):
    told, last = [], None
    for _ in range(6):  # broken off again and again, at any place
        async with (
            asyncio.timeout(30),
            house.listen(only="capture,event", **({"last": last} if last else {})) as said,
        ):
            new = 0
            async for event, data, number in said:
                if number is not None and event != "hello":
                    last = number
                if event in {"capture", "event"}:
                    told.append((int(number), data))
                    new += 1
                    if new >= 2:
                        break
        await asyncio.sleep(0.05)
    with Records.open(house.store) as records:
        kept = records.news(0)
    first, end = told[0][0], told[-1][0]
    assert [n for n, _ in told] == [one.number for one in kept if first <= one.number <= end]
    for number, data in told:
        item = next(one.item for one in kept if one.number == number)
        assert data["is"] == ("capture" if isinstance(item, Capture) else "event")
        if isinstance(item, Capture):
            assert (data["id"], data["state"]) == (item.id, item.state)


async def test_what_happened_while_nobody_listened_is_told_from_any_number(house):
    await house.get("/api/1/now")
    async with asyncio.timeout(30):
        while len((await house.get("/api/1/captures"))["captures"]) < 2:  # noqa: ASYNC110
            await asyncio.sleep(0.02)
    for after in ("0", "1", "2"):
        async with asyncio.timeout(10), house.listen(after=after, only="capture,event") as said:
            assert (await anext(said))[0] == "hello"
            _, _, number = await anext(said)
            assert int(number) == int(after) + 1


@pytest.mark.parametrize("last", ["99999999", "nonsense", "-1", "9" * 40])
async def test_a_number_of_another_store_begins_afresh(house, last):
    async with asyncio.timeout(10), house.listen(last=last) as said:
        event, _, number = await anext(said)
        assert event == "hello"
        assert int(number) < 99999999


async def test_it_says_that_it_is_alive(build):
    house = await build(alive_s=0.05)
    async with asyncio.timeout(10), house.listen(only="capture") as said:
        seen = [await anext(said) for _ in range(4)]
    assert [event for event, _, _ in seen if event != "capture"][:2] == ["hello", "alive"]


async def test_the_daemon_stops_in_two_seconds_with_streams_open_and_says_goodbye(house):
    goodbyes = 0
    ready = asyncio.Semaphore(0)

    async def listen():
        nonlocal goodbyes
        async with house.listen() as said:
            ready.release()
            async for event, _, _ in said:
                goodbyes += event == "bye"

    listeners = [asyncio.create_task(listen()) for _ in range(20)]
    stuck = await asyncio.to_thread(_never_reads, house.outlet.port)
    for _ in listeners:
        await ready.acquire()
    took = await house.stop()
    stuck.close()
    await asyncio.wait_for(asyncio.gather(*listeners), 5)
    assert took < 2.0
    assert goodbyes == 20


def _never_reads(port):
    stuck = socket.create_connection(("127.0.0.1", port))
    stuck.sendall(b"GET /api/1/stream HTTP/1.1\r\nHost: localhost\r\n\r\n")
    return stuck


async def test_a_reader_that_takes_nothing_is_dropped_and_costs_no_reading(build):
    house = await build(alive_s=0.01)
    hub = house.outlet.page.hub
    stuck = []
    for _ in range(3):
        one = await asyncio.to_thread(_never_reads, house.outlet.port)
        one.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1024)
        stuck.append(one)
    async with asyncio.timeout(5):
        while hub.streams < 3:  # noqa: ASYNC110
            await asyncio.sleep(0.01)
    big = {"text": "x" * 60_000}
    async with asyncio.timeout(20):
        while hub.streams:
            hub.tell("event", big)
            await asyncio.sleep(0.002)
    for one in stuck:
        one.close()
    with Records.open(house.store) as records:
        times = [reading.stamp.t_s for reading in records.readings()]
    assert max(b - a for a, b in pairwise(times)) < 60  # of the fast clock


async def test_no_more_streams_than_allowed(build):
    house = await build(page={"streams": 2})
    async with asyncio.timeout(20), house.listen() as one, house.listen() as two:
        await anext(one)
        await anext(two)
        answer = await house.client.get("/api/1/stream")
        assert answer.status_code == 503
        assert "retry-after" in answer.headers
    async with asyncio.timeout(20):
        while house.outlet.page.hub.streams:  # noqa: ASYNC110
            await asyncio.sleep(0.01)
    async with house.listen() as one:
        await anext(one)


async def test_fifty_streams_over_a_long_time_do_not_grow(build):
    """Short form: 50 streams, a quarter of an hour of the meter; nothing piles up.

    The hour: `OUZEL_STREAM_S=3600 scripts/test tests/page/test_stream.py -k fifty -s`
    """
    long_s = float(os.environ.get("OUZEL_STREAM_S", "900"))
    house = await build(speed=300.0, alive_s=0.2)
    counts = [0] * 50

    async def listen(place):
        async with house.listen() as said:
            async for _ in said:
                counts[place] += 1

    listeners = [asyncio.create_task(listen(n)) for n in range(50)]
    async with asyncio.timeout(30):
        while min(counts) < 5:  # noqa: ASYNC110
            await asyncio.sleep(0.05)
    tracemalloc.start()
    try:
        begun, seen = house.clock.now().t_s, list(counts)
        before = tracemalloc.get_traced_memory()[0]
        async with asyncio.timeout(20 + long_s / 20):
            while house.clock.now().t_s - begun < long_s:  # noqa: ASYNC110
                await asyncio.sleep(0.05)
        after = tracemalloc.get_traced_memory()[0]
    finally:
        tracemalloc.stop()
    told = sum(counts) - sum(seen)
    print(f"{long_s:.0f} s, 50 streams: {told} told, {(after - before) / 2**20:+.2f} MiB")
    assert house.outlet.page.hub.streams == 50
    assert all(now - then > 5 for now, then in zip(counts, seen, strict=True))
    # Readings that wait for the store's next commit and raw lines are all that may grow.
    assert after - before < 6_000_000, (before, after)
    for one in listeners:
        one.cancel()
    await asyncio.wait(listeners)
