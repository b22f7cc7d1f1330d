"""A slow listener loses old readings and nothing else, and holds up nobody."""

from __future__ import annotations

import asyncio
from typing import Any

from capture.hub import MOST_OTHERS, MOST_READINGS, Hub, Subscription


async def rest(s: Subscription) -> list[dict[str, Any]]:
    """Events until the subscription ends."""
    return [e async for e in s]


def test_all_listeners_get_all_events_in_order() -> None:
    async def main() -> list[list[dict[str, Any]]]:
        hub = Hub()
        listeners = [asyncio.create_task(rest(hub.subscribe())) for _ in range(3)]
        events = [{"event": "reading", "n": n} for n in range(50)] + [{"event": "mark", "n": 50}]
        for e in events:
            hub.publish(e)
            await asyncio.sleep(0)
        hub.close()
        got = await asyncio.gather(*listeners)
        assert got == [events] * 3
        return got

    asyncio.run(main())


def test_a_slow_listener_keeps_the_newest_readings_and_everything_else() -> None:
    async def main() -> None:
        hub = Hub()
        slow, quick = hub.subscribe(), hub.subscribe()
        reading = asyncio.create_task(rest(quick))
        count = 3 * MOST_READINGS
        for n in range(count):
            hub.publish({"event": "reading", "n": n})
            if n % 100 == 0:
                hub.publish({"event": "sweep", "n": n})
            await asyncio.sleep(0)
        hub.close()
        got = await rest(slow)
        assert [e["n"] for e in got if e["event"] == "sweep"] == list(range(0, count, 100))
        assert [e["n"] for e in got if e["event"] == "reading"] == list(range(count - MOST_READINGS, count))
        assert slow.dropped == count - MOST_READINGS
        order = [e["n"] for e in got if e["event"] == "reading" or e["n"] >= count - MOST_READINGS]
        assert order == sorted(order)
        assert quick.dropped == 0
        assert len(await reading) == count + count // 100

    asyncio.run(main())


def test_a_listener_that_never_listens_is_let_go_with_what_it_has() -> None:
    async def main() -> None:
        hub = Hub()
        dead = hub.subscribe()
        for n in range(MOST_OTHERS + 1):
            hub.publish({"event": "mark", "n": n})
        got = await rest(dead)
        assert len(got) == MOST_OTHERS + 1
        assert len(hub) == 0

    asyncio.run(main())


def test_whoever_leaves_is_forgotten_even_if_never_iterated() -> None:
    async def main() -> None:
        hub = Hub()
        one, two = hub.subscribe(), hub.subscribe()
        waiting = asyncio.create_task(rest(two))
        await asyncio.sleep(0)
        one.leave()
        two.leave()
        assert len(hub) == 0
        assert await waiting == []
        hub.publish({"event": "reading", "n": 1})

    asyncio.run(main())


def test_who_takes_events_waits_for_the_first_and_no_longer_than_wanted() -> None:
    async def main() -> None:
        hub = Hub()
        s = hub.subscribe()
        assert await s.take(0.01) == [], "nothing came"
        waiting = asyncio.create_task(s.take(60.0))
        await asyncio.sleep(0)
        hub.publish({"event": "reading", "n": 1})
        hub.publish({"event": "reading", "n": 2})
        assert [e["n"] for e in await waiting or ()] == [1, 2]
        assert s.rest() == []
        waiting = asyncio.create_task(s.take(60.0))
        await asyncio.sleep(0)
        waiting.cancel()
        await asyncio.gather(waiting, return_exceptions=True)
        hub.publish({"event": "mark", "n": 3})
        hub.close()
        assert [e["n"] for e in await s.take(60.0) or ()] == [3], "what came before the end is still given"
        assert await s.take(60.0) is None

    asyncio.run(main())
