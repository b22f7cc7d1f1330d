"""A station that runs while a test watches it."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from capture.profiles import load_profile
from capture.rawstream import Record, Rx, read_records
from capture.sources.contract import Source
from capture.station import Station

if TYPE_CHECKING:
    from analysis.setup import Setup
    from capture.store.feed import StoreFeed

LONG_S = 60.0
"""How long a condition is waited for before the test fails.

How soon a pulled indicator is told, and one put back heard again, is measured by ``tests.bench.link_latency``: a machine that is
busy with other tests says nothing about it.
"""


@dataclass
class Heard:
    """Events of a station, each with the moment it reached the event loop."""

    station: Station
    events: list[tuple[float, dict[str, Any]]] = field(default_factory=list)

    async def take(self, subscription: Any) -> None:
        """Collect until the station stops."""
        async for event in subscription:
            self.events.append((time.monotonic(), event))

    def of(self, kind: str) -> list[dict[str, Any]]:
        """Events of one kind."""
        return [e for _, e in self.events if e["event"] == kind]

    def all(self, *kinds: str) -> list[dict[str, Any]]:
        """Events of these kinds, in order."""
        return [e for _, e in self.events if e["event"] in kinds]

    @property
    def links(self) -> list[str]:
        """States the link went through, silence left out."""
        states = [e["state"] for e in self.of("link")]
        return [
            s for i, s in enumerate(states) if s != "stale" and not (s == "back" and i and states[i - 1] == "stale")
        ]

    async def wait(
        self, kind: str, start: int = 0, timeout: float = LONG_S, **want: Any
    ) -> tuple[float, dict[str, Any]]:
        """First event of a kind with these values, from event number `start` on."""
        until = time.monotonic() + timeout
        while True:
            for at, event in self.events[start:]:
                if event["event"] == kind and all(event.get(k) == v for k, v in want.items()):
                    return at, event
            if time.monotonic() > until:
                raise AssertionError(f"no {kind} {want} within {timeout} s; heard {self.events[-5:]}")
            await asyncio.sleep(0.005)


async def until(condition: Callable[[], object], timeout: float = LONG_S) -> None:
    """Wait for a condition."""
    end = time.monotonic() + timeout
    while not condition():
        assert time.monotonic() < end, f"still not so after {timeout} s"
        await asyncio.sleep(0.005)


def until_blocking(condition: Callable[[], object], timeout: float = LONG_S) -> None:
    """Wait for a condition without an event loop."""
    end = time.monotonic() + timeout
    while not condition():
        assert time.monotonic() < end, f"still not so after {timeout} s"
        time.sleep(0.005)


@asynccontextmanager
async def listening(
    source: str | Source,
    *,
    record_to: Path | None = None,
    rate: float = 20.0,
    feed: StoreFeed | None = None,
    setup: Setup | None = None,
    setup_file: bytes | None = None,
    **keys: Any,
) -> AsyncIterator[Heard]:
    """A started station; stopped at the end."""
    profile = load_profile({"use": "text-line", "rate": rate, **keys})
    station = Station(source, profile=profile, record_to=record_to, setup=setup, setup_file=setup_file, feed=feed)
    heard = Heard(station)
    subscription = station.subscribe()
    await station.start()
    task = asyncio.create_task(heard.take(subscription))
    try:
        yield heard
    finally:
        await station.stop()
        await task


@contextmanager
def every(seconds: float, act: Callable[[int], object]) -> Iterator[None]:
    """Call `act` with 0, 1, 2 … at an interval, in a thread of its own."""
    stop = threading.Event()

    def work() -> None:
        n = 0
        while not stop.wait(seconds):
            act(n)
            n += 1

    thread = threading.Thread(target=work, name="feeder")
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(LONG_S)


def line(counts: int) -> bytes:
    """A reading as a display of 0.001 mm sends it."""
    return f"{counts / 1000:+08.3f}\r\n".encode()


def stream_files(folder: Path) -> list[Path]:
    """Raw streams in a folder, in the order they were begun."""

    def begun(path: Path) -> tuple[str, list[int]]:
        # The folder's name says when, and which set; when a file was written last says neither.
        second, *numbers = path.parent.name.split("-")
        return second, [int(n) for n in numbers]

    return sorted(folder.glob("*/stream.jsonl"), key=begun)


def records(folder: Path) -> list[Record]:
    """Records of the only stream in a folder."""
    (path,) = stream_files(folder)
    return list(read_records(path))


def received(folder: Path) -> bytes:
    """All bytes in the only stream of a folder."""
    return b"".join(r.data for r in records(folder) if isinstance(r, Rx))
