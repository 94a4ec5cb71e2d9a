from __future__ import annotations

import asyncio

from acquire.bus import Bus, Policy


async def rest_of(subscription):
    await subscription.close()
    return [item async for item in subscription]


async def first(subscription, count):
    seen = []
    async for item in subscription:
        seen.append(item)
        if len(seen) == count:
            break
    return seen


async def test_a_slow_outlet_loses_the_oldest_and_the_loss_is_counted():
    bus = Bus()
    slow = bus.subscribe("slow", size=4, policy=Policy.DROP_OLDEST)
    for n in range(10):
        await asyncio.wait_for(bus.publish(n), 1)
    assert await rest_of(slow) == [7, 8, 9]
    assert slow.dropped == 7


async def test_a_listener_that_must_see_all_makes_the_publisher_wait():
    bus = Bus()
    careful = bus.subscribe("careful", size=2, policy=Policy.WAIT)

    async def publish_all():
        for n in range(10):
            await bus.publish(n)

    task = asyncio.create_task(publish_all())
    await asyncio.sleep(0)
    assert not task.done()
    await asyncio.gather(task, take := asyncio.create_task(first(careful, 10)))
    assert take.result() == list(range(10))
    assert careful.dropped == 0


async def test_everyone_hears_everything_in_order():
    bus = Bus()
    queues = [bus.subscribe(str(n), size=100, policy=Policy.WAIT) for n in range(3)]
    for n in range(50):
        await bus.publish(n)
    assert [await rest_of(queue) for queue in queues] == [list(range(50))] * 3


async def test_a_listener_is_not_woken_for_what_it_does_not_want():
    bus = Bus()
    words = bus.subscribe("words", size=2, policy=Policy.DROP_OLDEST, only=(str,))
    for item in (1, "one", 2, 3, 4, "two"):
        await bus.publish(item)
    assert words.dropped == 0
    assert await rest_of(words) == ["two"]  # the end took the place of the oldest
    assert words.dropped == 1
