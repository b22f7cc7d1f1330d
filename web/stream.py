"""The station's events on the wire, as the open standard for server-sent events has it.

An event is put into words once, however many pages are open, and a page is written to at most fifty times a second: what comes in between goes together.
"""

from __future__ import annotations

import asyncio
import json
import time
from collections import deque
from collections.abc import AsyncIterator, Callable
from typing import Any

from capture.hub import Event, Subscription

PACE_S = 0.02
KEEP_ALIVE_S = 15.0
RETRY_MS = 1000


def frame(name: str, data: dict[str, Any]) -> bytes:
    """One event in the standard's form."""
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"))
    return f"event: {name}\ndata: {text}\n\n".encode("utf-8", "replace")


class Wire:
    """Events as bytes, the last of them kept for the next page that asks."""

    def __init__(self, keep: int = 256) -> None:
        self._known: dict[int, tuple[Event, bytes]] = {}
        self._order: deque[int] = deque()
        self._keep = keep

    def bytes_of(self, event: Event) -> bytes:
        """One event in the standard's form."""
        known = self._known.get(id(event))
        # The event is held with its bytes, so its id cannot have passed to another.
        if known is not None and known[0] is event:
            return known[1]
        out = frame(event["event"], event)
        self._known[id(event)] = (event, out)
        self._order.append(id(event))
        if len(self._order) > self._keep:
            self._known.pop(self._order.popleft(), None)
        return out


async def pages_stream(
    subscription: Subscription, state: Callable[[], dict[str, Any]], wire: Wire
) -> AsyncIterator[bytes]:
    """What one page is sent, from the whole picture on."""
    yield f"retry: {RETRY_MS}\n".encode() + frame("state", state())
    sent = time.monotonic()
    while (events := await subscription.take(KEEP_ALIVE_S)) is not None:
        if not events:
            yield b": still here\n\n"
            continue
        if (early := sent + PACE_S - time.monotonic()) > 0:
            await asyncio.sleep(early)
            events += subscription.rest()
        parts = []
        for event in events:
            parts.append(wire.bytes_of(event))
            if event["event"] == "set":
                parts.append(frame("state", state()))
        yield b"".join(parts)
        sent = time.monotonic()
