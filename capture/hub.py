"""Events to those who listen, none of whom can hold up the others."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator
from typing import Any

Event = dict[str, Any]

MOST_READINGS = 200
"""Readings kept for a slow listener; the oldest go first, everything else is kept."""

MOST_OTHERS = 2000


class Subscription:
    """One listener's events; an async iterator that ends when the hub closes."""

    def __init__(self, hub: Hub) -> None:
        self._hub = hub
        self._events: deque[Event] = deque()
        self._readings = 0
        self._waiter: asyncio.Future[None] | None = None
        self._closed = False
        self.dropped = 0

    def put(self, event: Event) -> None:
        """Add an event, dropping the oldest reading when there are too many."""
        if event["event"] == "reading":
            self._readings += 1
        self._events.append(event)
        if self._readings > MOST_READINGS:
            for i, e in enumerate(self._events):
                if e["event"] == "reading":
                    del self._events[i]
                    self._readings -= 1
                    self.dropped += 1
                    break
        if len(self._events) - self._readings > MOST_OTHERS:
            self.close()
        self._wake()

    def close(self) -> None:
        """End the iteration."""
        self._closed = True
        self._wake()

    def leave(self) -> None:
        """End the iteration and be forgotten by the hub, whether or not anybody still iterates."""
        self.close()
        self._hub.remove(self)

    async def take(self, wait_s: float) -> list[Event] | None:
        """All events there are, waiting for the first; none after `wait_s` of silence, None once the hub has closed."""
        if not self._events and not self._closed:
            await self._wait(wait_s)
        out = self.rest()
        return None if self._closed and not out else out

    def rest(self) -> list[Event]:
        """All events there are now."""
        out = list(self._events)
        self._events.clear()
        self._readings = 0
        return out

    async def __aiter__(self) -> AsyncIterator[Event]:
        """Events in order, as they come."""
        try:
            while True:
                while self._events:
                    event = self._events.popleft()
                    if event["event"] == "reading":
                        self._readings -= 1
                    yield event
                if self._closed:
                    return
                await self._wait()
        finally:
            self._hub.remove(self)

    async def _wait(self, at_most_s: float | None = None) -> None:
        """Until there is something to take, or for so long; for one iteration at a time."""
        # A future and a timer of its own: the library's waiting with a limit makes a task each time, which at ten readings a
        # second costs more than sending them.
        loop = asyncio.get_running_loop()
        self._waiter = loop.create_future()
        timer = None if at_most_s is None else loop.call_later(at_most_s, self._wake)
        try:
            await self._waiter
        finally:
            self._waiter = None
            if timer is not None:
                timer.cancel()

    def _wake(self) -> None:
        waiter = self._waiter
        if waiter is not None and not waiter.done():
            waiter.set_result(None)


class Hub:
    """Hands events to every subscription; used from one event loop."""

    def __init__(self) -> None:
        self._subscriptions: set[Subscription] = set()

    def subscribe(self) -> Subscription:
        """A new subscription; events from now on."""
        s = Subscription(self)
        self._subscriptions.add(s)
        return s

    def remove(self, s: Subscription) -> None:
        """Forget a subscription."""
        self._subscriptions.discard(s)

    def publish(self, event: Event) -> None:
        """Give an event to all."""
        for s in tuple(self._subscriptions):
            s.put(event)

    def close(self) -> None:
        """End all subscriptions."""
        for s in tuple(self._subscriptions):
            s.close()
        self._subscriptions.clear()

    def __len__(self) -> int:
        return len(self._subscriptions)
